"""One invented shop's dealings with the service, told once through every operation.

The description's examples are this story, as it was answered. To write them anew after a change:

    python tests/contract/story.py
"""

import json
import re
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from httpx import Response
from litestar.testing import TestClient

sys.path.insert(0, str(Path(__file__).parents[1]))  # run as a script, this finds `calling` too

from calling import signed_in

from service.api.check_imports import FILES
from service.api.methods import Application
from service.api.pull_imports import PULL_FILES
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

NOW: Final = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
EXAMPLES: Final = Path(__file__).parents[2] / "service" / "openapi_examples.json"

_LONGEST_LIST: Final = 3
_CURSOR: Final = re.compile(r'"next_cursor": "[^"]+"')
_TOKEN: Final = re.compile(r"wdt_[0-9a-f]{12}_[A-Za-z0-9_-]{43}")
_TOKEN_ID: Final = re.compile(r'"[0-9a-f]{12}"')
_HASH: Final = re.compile(r'"hash": "[0-9a-f]{64}"')
_WRITTEN: Final = re.compile(r'"written_at": "[^"]+"')
_UUID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")


@dataclass(frozen=True)
class Step:
    """One request of the story with its answer."""

    operation_id: str
    sent: Any
    parameters: dict[str, Any]
    response: Response


def app_over(store: Store) -> Application:
    """The service at the time of the story."""
    return create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))


@contextmanager
def service(directory: Path) -> Iterator[TestClient[Application]]:
    """The service over a new store."""
    with (
        Store.open(directory / "shop.db", migrate=True) as store,
        signed_in(app_over(store), store) as client,
    ):
        yield client


def torque(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "N.m"}


def point(target: float, *values: float) -> dict[str, Any]:
    return {"target": torque(target), "readings": {"values": list(values), "unit": "N.m"}}


WRENCH: Final[dict[str, Any]] = {
    "serial": "SP-101",
    "mechanism": "spring",
    "indication": "type_ii_setting",
    "model": "click wrench 20-100 N·m",
    "lowest": torque(20),
    "full_scale": torque(100),
    "mpd_clockwise": {"percent": 4},
    "resolution": torque(0.5),
    "drive": "1/2 in",
}
TESTER: Final[dict[str, Any]] = {
    "serial": "TB-1",
    "model": "bench tester",
    "lowest": torque(10),
    "full_scale": torque(200),
    "expanded_uncertainty_pct": 0.6,
    "coverage_factor": 2,
    "certificate": "C-25-001",
    "calibrated_on": "2025-01-10",
    "due_on": "2027-01-10",
}
CHECK: Final[dict[str, Any]] = {
    "kind": "as_found",
    "direction": "clockwise",
    "performed_at": "2026-05-04T08:10:00Z",
    "tester": "TB-1",
    "operator": "bench 2",
    "temperature_c": 21.5,
    "cycle_count": 3900,
    "points": [
        point(20, 19.79, 19.83, 19.83, 19.80, 19.81),
        point(60, 59.70, 59.75, 59.72, 59.78, 59.74),
        point(100, 99.6, 99.7, 99.5, 99.6, 99.6),
    ],
}
ANGLE_WRENCH: Final[dict[str, Any]] = {
    "serial": "EL-201",
    "mechanism": "electronic",
    "indication": "type_i_indicating",
    "model": "digital wrench 5-100 N·m with angle",
    "lowest": torque(5),
    "full_scale": torque(100),
    "mpd_clockwise": {"percent": 2},
    "resolution": torque(0.1),
    "drive": "3/8 in",
    "angle": {"mpd_deg": 2, "resolution_deg": 0.1, "highest_deg": 360},
}
ANGLE_CHECK: Final[dict[str, Any]] = {
    "kind": "as_found",
    "direction": "clockwise",
    "performed_at": "2026-05-04T08:40:00Z",
    "tester": "TB-1",
    "operator": "bench 2",
    "expanded_uncertainty_deg": 0.3,
    "coverage_factor": 2,
    "points": [
        {"target_deg": 90, "reference_deg": [89.6, 89.8, 89.5, 89.9, 89.7]},
        {"target_deg": 180, "reference_deg": [179.3, 179.6, 179.1, 179.4, 179.5]},
    ],
}
FASTENER_FIT: Final[dict[str, Any]] = {
    "fastener": {
        "name": "cylinder head, bolts 1 to 10",
        "torque": torque(25),
        "thread": "right_hand",
        "criticality": "ordinary",
        "angle": {"degrees": 90},
    },
    "on": "2026-05-11",
}
EARLIER: Final = (
    ("2025-05-05T08:00:00Z", 20, (19.95, 19.98, 19.96, 19.99, 19.97)),
    ("2025-11-03T08:00:00Z", 2100, (19.88, 19.92, 19.90, 19.86, 19.91)),
)


PULLS: Final = {
    "pulls": [
        {
            "job": "W-1042",
            "torque": torque(24),
            "direction": "clockwise",
            "performed_at": "2026-04-29T10:20:00Z",
            "operator": "bay 2",
            "count": 5,
        },
        {
            "job": "W-1043",
            "torque": torque(60),
            "direction": "clockwise",
            "performed_at": "2026-04-30T07:55:00Z",
            "angle_deg": 90,
        },
    ]
}

TOKEN: Final = {"name": "bench 2", "scope": "bench", "days": 90}

FOUND_OUT: Final = CHECK | {
    "performed_at": "2026-05-04T11:00:00Z",
    "cycle_count": None,
    "points": [
        point(20, 19.10, 19.16, 19.22, 19.14, 19.19),
        point(60, 58.9, 59.0, 58.9, 59.1, 59.0),
        point(100, 98.8, 98.7, 98.9, 98.8, 98.8),
    ],
}


JOBS: Final[dict[str, Any]] = {
    "jobs": [
        {"name": "wheel nuts", "torque": torque(85), "criticality": "safety_critical"},
        {"name": "bracket", "torque": torque(25), "angle_deg": 90, "on": "2026-05-11"},
        {"name": "stem bolt", "torque": torque(5), "direction": "clockwise"},
    ]
}


def earlier_check(performed_at: str, cycle_count: int, low: tuple[float, ...]) -> dict[str, Any]:
    return CHECK | {
        "performed_at": performed_at,
        "cycle_count": cycle_count,
        "points": [
            point(20, *low),
            point(60, *(round(3 * value, 2) for value in low)),
            point(100, *(round(5 * value, 2) for value in low)),
        ],
    }


def tell(client: TestClient[Application]) -> list[Step]:
    """Every operation of the API, in an order that makes sense."""
    steps: list[Step] = []

    def do(
        operation_id: str,
        method: str,
        path: str,
        *,
        sent: Any = None,
        key: str | None = None,
        if_match: str | None = None,
        path_parameters: dict[str, str] | None = None,
        content_type: str = "application/json",
        **query: Any,
    ) -> Response:
        headers = {"Content-Type": content_type} if sent is not None else {}
        if key is not None:
            headers["Idempotency-Key"] = key
        if if_match is not None:
            headers["If-Match"] = if_match
        response = client.request(
            method,
            path,
            params=query,
            headers=headers,
            content=sent if sent is None or isinstance(sent, str) else json.dumps(sent),
        )
        headers.pop("Content-Type", None)
        shown = (path_parameters or {}) | query | headers
        steps.append(Step(operation_id, sent, shown, response))
        return response

    serial = {"serial": "SP-101"}
    wrench = "/v1/wrenches/SP-101"
    checks, pulls = f"{wrench}/checks", f"{wrench}/pulls"

    do("registerWrench", "POST", "/v1/wrenches", sent=WRENCH, key="register-SP-101")
    do("registerTester", "POST", "/v1/testers", sent=TESTER, key="register-TB-1")
    for performed_at, cycle_count, low in EARLIER:
        client.post(
            checks,
            json=earlier_check(performed_at, cycle_count, low),
            headers={"Idempotency-Key": f"check-{cycle_count}"},
        )
    recorded = do(
        "recordCheck", "POST", checks, sent=CHECK, key="check-3900", path_parameters=serial
    )
    do(
        "importChecks",
        "POST",
        "/v1/checks/import",
        sent=FILES["text/csv"].example,
        key="import-april",
        content_type="text/csv",
        partial="true",
    )
    client.post("/v1/wrenches", json=ANGLE_WRENCH)
    client.post(
        "/v1/wrenches/EL-201/checks",
        json=CHECK | {"performed_at": "2026-05-04T08:30:00Z", "cycle_count": 700},
        headers={"Idempotency-Key": "check-EL-201"},
    )
    place = recorded.headers["location"]
    check = serial | {"check_id": recorded.json()["id"]}
    worked = do("recordPulls", "POST", pulls, sent=PULLS, key="work-W-1042", path_parameters=serial)
    do(
        "importPulls",
        "POST",
        "/v1/pulls/import",
        sent=PULL_FILES["text/csv"].example,
        key="import-work",
        content_type="text/csv",
    )
    pull = serial | {"pull_id": worked.json()["stored"][1]["id"]}
    do("listPulls", "GET", pulls, path_parameters=serial, limit=2)
    do("readPull", "GET", f"{pulls}/{pull['pull_id']}", path_parameters=pull)
    do(
        "voidPull",
        "POST",
        f"{pulls}/{pull['pull_id']}/void",
        sent={"reason": "made with SP-102"},
        key="void-pull",
        path_parameters=pull,
    )
    do("readCheck", "GET", place, path_parameters=check)
    do("listChecks", "GET", checks, path_parameters=serial, limit=2)
    do("readReadings", "GET", "/v1/readings", wrench="SP-101", kind="as_found", format="csv")
    do("readDrift", "GET", f"{wrench}/drift", path_parameters=serial, direction="clockwise")
    do("readRepeatability", "GET", f"{wrench}/repeatability", path_parameters=serial, band="low")
    do("readCapability", "GET", f"{wrench}/capability", path_parameters=serial, band="low")
    do("readConformity", "GET", f"{wrench}/conformity", path_parameters=serial)
    do("readUncertainty", "GET", f"{wrench}/uncertainty", path_parameters=serial)
    do("readAcceptance", "GET", f"{wrench}/acceptance", path_parameters=serial)
    do("readDue", "GET", f"{wrench}/due", path_parameters=serial)
    do(
        "readRisk",
        "GET",
        f"{wrench}/risk",
        path_parameters=serial,
        torque=25.0,
        unit="N.m",
        direction="clockwise",
        on="2026-05-11",
    )
    do("readRisks", "GET", "/v1/risks", limit=3)
    do("readResults", "GET", "/v1/results", limit=2)
    angle_serial = {"serial": "EL-201"}
    angle_checks = "/v1/wrenches/EL-201/angle-checks"
    angle_recorded = do(
        "recordAngleCheck",
        "POST",
        angle_checks,
        sent=ANGLE_CHECK,
        key="angle-EL-201",
        path_parameters=angle_serial,
    )
    angle_place = angle_recorded.headers["location"]
    angle_check = angle_serial | {"check_id": angle_recorded.json()["id"]}
    do("readAngleCheck", "GET", angle_place, path_parameters=angle_check)
    do("listAngleChecks", "GET", angle_checks, path_parameters=angle_serial, limit=2)
    do("judgeFastenerFit", "POST", "/v1/fastener-fit", sent=FASTENER_FIT)
    do(
        "voidAngleCheck",
        "POST",
        f"{angle_place}/void",
        sent={"reason": "the reference slipped on the square"},
        key="void-angle-EL-201",
        path_parameters=angle_check,
    )
    do("coverJobs", "POST", "/v1/coverage", sent=JOBS)
    do(
        "readWrenchChart",
        "GET",
        f"{wrench}/charts/drift",
        path_parameters={**serial, "name": "drift"},
        format="svg",
    )
    do("readRangeStudy", "GET", "/v1/range-study")
    do("readTrustedWindow", "GET", f"{wrench}/trusted-window", path_parameters=serial)
    do(
        "readRangeChart",
        "GET",
        "/v1/range-study/charts/scatter",
        path_parameters={"name": "scatter"},
        format="svg",
    )
    do("readRangeReport", "GET", "/v1/range-study/report")
    do("readSchedule", "GET", "/v1/schedule", days=366)
    do("readScheduleFeed", "GET", "/v1/schedule.ics", days=366)
    do("readSavings", "GET", "/v1/schedule/savings", months=12)
    booked = do(
        "bookBench",
        "POST",
        "/v1/schedule/bookings",
        sent={"wrench": "SP-101", "day": "2026-05-08", "note": "before the tyre season"},
        key="book-SP-101",
    )
    booking = {"booking_id": booked.json()["id"]}
    do(
        "changeBooking",
        "PATCH",
        booked.headers["location"],
        sent={"day": "2026-05-11", "reason": "the wrench is away until Monday"},
        if_match='"v1"',
        path_parameters=booking,
    )
    do("readBooking", "GET", booked.headers["location"], path_parameters=booking)
    do("listBookings", "GET", "/v1/schedule/bookings", wrench="SP-101", limit=50)
    do(
        "voidCheck",
        "POST",
        f"{place}/void",
        sent={"reason": "the tester was not zeroed"},
        key="void-3900",
        path_parameters=check,
    )
    do(
        "changeWrench",
        "PATCH",
        wrench,
        sent={"service": {"status": "out_of_service", "reason": "fell from the lift"}},
        if_match='"v1"',
        path_parameters=serial,
    )
    do("readWrench", "GET", wrench, path_parameters=serial)
    do("listEvents", "GET", f"{wrench}/events", path_parameters=serial, limit=3)
    do("listWrenches", "GET", "/v1/wrenches", status="out_of_service", limit=50)
    do(
        "changeTester",
        "PATCH",
        "/v1/testers/TB-1",
        sent={
            "certificate": "C-26-014",
            "calibrated_on": "2026-05-04",
            "due_on": "2027-05-04",
        },
        if_match='"v1"',
        path_parameters={"serial": "TB-1"},
    )
    do("readTester", "GET", "/v1/testers/TB-1", path_parameters={"serial": "TB-1"})
    do("listTesters", "GET", "/v1/testers", limit=50)
    found_out = client.post(checks, json=FOUND_OUT, headers={"Idempotency-Key": "found-out"})
    suspect = {"check": found_out.json()["id"]}
    trace = f"{wrench}/reverse-traceability"
    do("readReverseTraceability", "GET", trace, path_parameters=serial, **suspect)
    do("readReverseTraceabilityRows", "GET", f"{trace}.csv", path_parameters=serial, **suspect)
    made = do("createToken", "POST", "/v1/tokens", sent=TOKEN, key="token-bench-2").json()
    made_id = {"token_id": made["id"]}
    do("listTokens", "GET", "/v1/tokens", limit=1)
    do("readToken", "GET", f"/v1/tokens/{made['id']}", path_parameters=made_id)
    do(
        "revokeToken",
        "POST",
        f"/v1/tokens/{made['id']}/revoke",
        key="revoke-bench-2",
        path_parameters=made_id,
    )
    policy = do("readPolicy", "GET", "/v1/policy").json()
    del policy["version"]
    do(
        "replacePolicy",
        "PUT",
        "/v1/policy",
        sent=policy | {"cap_months": 6, "time_zone": "Europe/Berlin"},
        if_match='"v1"',
    )
    do("readAudit", "GET", "/v1/audit")
    do("readMetrics", "GET", "/metrics")
    do("isLive", "GET", "/health/live")
    do("isReady", "GET", "/health/ready")
    return steps


def examples(steps: list[Step]) -> dict[str, Any]:
    """The story as the examples of the description; ids are numbered as they come."""
    ids: dict[str, str] = {}

    def numbered(value: Any) -> Any:
        text = json.dumps(value, ensure_ascii=False)
        for found in _UUID.findall(text):
            ids.setdefault(found, f"00000000-0000-4000-8000-{len(ids) + 1:012}")
        for found in _TOKEN_ID.findall(text):
            ids.setdefault(found, f'"{len(ids) + 1:012x}"')
        text = _TOKEN_ID.sub(lambda match: ids[match[0]], text)
        text = _TOKEN.sub(f"wdt_{12 * '0'}_{43 * 'A'}", text)
        text = text.replace('"testclient"', '"192.0.2.7"')  # an address for examples, RFC 5737
        text = _CURSOR.sub('"next_cursor": "b3BhcXVl"', text)
        text = _HASH.sub(f'"hash": "{"5a" * 32}"', text)
        text = _WRITTEN.sub('"written_at": "2026-05-04T12:00:00Z"', text)
        return json.loads(_UUID.sub(lambda match: ids[match[0]], text))

    told: dict[str, Any] = {}
    for step in steps:
        example: dict[str, Any] = {}
        if step.parameters:
            example["parameters"] = numbered(step.parameters)
        if step.sent is not None:
            example["sent"] = numbered(step.sent)
        if step.response.headers["content-type"] == "application/json":
            example["answer"] = _shortened(numbered(step.response.json()))
        told[step.operation_id] = example
    return dict(sorted(told.items()))


def _shortened(value: Any) -> Any:
    if isinstance(value, list):
        return [_shortened(each) for each in value[:_LONGEST_LIST]]
    if isinstance(value, dict):
        return {name: _shortened(each) for name, each in value.items()}
    if isinstance(value, float):
        return float(f"{value:.5g}")  # later digits move with the machine's arithmetic
    return value


def main() -> None:
    with tempfile.TemporaryDirectory() as directory, service(Path(directory)) as client:
        told = examples(tell(client))
    EXAMPLES.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    from service.openapi import description_text

    description_file = EXAMPLES.parents[1] / "openapi" / "openapi.json"
    description_file.parent.mkdir(exist_ok=True)
    description_file.write_text(description_text(), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
