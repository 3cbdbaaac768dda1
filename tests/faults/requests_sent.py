"""What clients send, each check with readings that tell it from every other, and what came back."""

import functools
import itertools
import json
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import httpx

NOW: Final = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
WRENCHES: Final = tuple(f"FT-{number:02}" for number in range(32))
TESTER: Final = "TB-1"
TARGETS_NM: Final = (40.0, 80.0)
REPEATS: Final = 2


@dataclass(frozen=True)
class CheckSent:
    """One check; `number` makes it unlike every other."""

    number: int

    @property
    def wrench(self) -> str:
        return WRENCHES[self.number % len(WRENCHES)]

    @property
    def performed_at(self) -> datetime:
        return NOW - timedelta(hours=1, seconds=self.number)

    @functools.cached_property
    def instant(self) -> int:
        """As the store keeps it: microseconds since 1970."""
        return (self.performed_at - EPOCH) // timedelta(microseconds=1)

    @functools.cached_property
    def readings_nm(self) -> list[list[float]]:
        """By target, within half a percent of it and none like another check's."""
        return [
            [target * (1 + (self.number % 1_000_000) * 4e-9 + repeat * 1e-9) for repeat in range(2)]
            for target in TARGETS_NM
        ]

    def body(self) -> dict[str, Any]:
        return {
            "kind": "as_found",
            "direction": "clockwise",
            "performed_at": self.performed_at.isoformat(),
            "tester": TESTER,
            "operator": "bench 2",
            "points": [
                {
                    "target": {"value": target, "unit": "N.m"},
                    "readings": {"values": values, "unit": "N.m"},
                }
                for target, values in zip(TARGETS_NM, self.readings_nm, strict=True)
            ],
        }


@dataclass
class Sent:
    """One request: its checks are stored all together or not at all."""

    key: str
    path: str
    media_type: str
    content: bytes
    checks: tuple[CheckSent, ...]
    acknowledged_at: float | None = None
    answer: bytes | None = None
    refusals: list[int] = field(default_factory=list)

    def send(self, client: httpx.Client) -> httpx.Response:
        """Send it, again with the same key where it was sent before."""
        response = client.post(
            self.path,
            content=self.content,
            headers={"Content-Type": self.media_type, "Idempotency-Key": self.key},
        )
        if response.status_code in (200, 201):
            self.acknowledged_at = time.time()
            self.answer = response.content
        else:
            self.refusals.append(response.status_code)
        return response

    def head(self, authorization: str, *last: str) -> bytes:
        """What comes before the content on a bare connection, with `last` as its last fields."""
        lines = [
            f"POST {self.path} HTTP/1.1",
            "Host: 127.0.0.1",
            f"Content-Type: {self.media_type}",
            f"Idempotency-Key: {self.key}",
            f"Authorization: {authorization}",
            *last,
        ]
        return "\r\n".join([*lines, "", ""]).encode()


class Ledger:
    """All that was sent to one store."""

    def __init__(self) -> None:
        self.sent: list[Sent] = []
        self._numbers = itertools.count()
        self._lock = threading.Lock()

    def single(self) -> Sent:
        """A new check for `POST /v1/wrenches/{serial}/checks`."""
        with self._lock:
            check = CheckSent(next(self._numbers))
            return self._noted(
                f"/v1/wrenches/{check.wrench}/checks",
                "application/json",
                json.dumps(check.body()).encode(),
                (check,),
            )

    def file(self, count: int) -> Sent:
        """Many new checks for `POST /v1/checks/import`."""
        with self._lock:
            checks = tuple(CheckSent(next(self._numbers)) for _ in range(count))
            lines = (json.dumps({"wrench": each.wrench, **each.body()}) for each in checks)
            content = "\n".join(lines).encode()
            return self._noted("/v1/checks/import", "application/x-ndjson", content, checks)

    def acknowledged(self) -> list[Sent]:
        return [sent for sent in self.sent if sent.acknowledged_at is not None]

    def _noted(
        self, path: str, media_type: str, content: bytes, checks: Iterable[CheckSent]
    ) -> Sent:
        sent = Sent(f"request-{len(self.sent)}", path, media_type, content, tuple(checks))
        self.sent.append(sent)
        return sent


def open_shop(client: httpx.Client) -> None:
    """The tester and the wrenches that the checks are of."""
    torque = {"unit": "N.m"}
    client.post(
        "/v1/testers",
        json={
            "serial": TESTER,
            "lowest": {"value": 10, **torque},
            "full_scale": {"value": 500, **torque},
            "expanded_uncertainty_pct": 0.5,
            "coverage_factor": 2,
            "certificate": "C-26-001",
            "calibrated_on": "2025-02-01",
            "due_on": "2027-02-01",
        },
        headers={"Idempotency-Key": "tester"},
    ).raise_for_status()
    for serial in WRENCHES:
        client.post(
            "/v1/wrenches",
            json={
                "serial": serial,
                "mechanism": "spring",
                "indication": "type_ii_setting",
                "lowest": {"value": 20, **torque},
                "full_scale": {"value": 100, **torque},
                "mpd_clockwise": {"percent": 4},
            },
            headers={"Idempotency-Key": f"wrench-{serial}"},
        ).raise_for_status()
