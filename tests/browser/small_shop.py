"""An invented shop sent through the API: wrenches of three kinds, a tester, a year of checks."""

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import httpx

NOW: Final = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
# One wrench for each test that records something.
WRENCHES: Final = ("BN-1", "BN-2", "BN-3", "BN-4", "BN-5", "BN-6")
# Checked once, and what came of it.
# It shows what it measures, so that its own value is compared.
SHOWS: Final = "EL-1"
# Found out long ago: everything speaks against it.
WOE: Final = "WOE-1"
PASSED: Final = "VD-1"
FAILED: Final = "VD-2"
# How much less than it says each wrench delivers, in N·m, at each of its checks.
_LOW_BY: Final = {
    "OK-1": (0.05, 0.06, 0.07, 0.08),
    "OK-2": (0.10, 0.12, 0.09, 0.11),
    "OLD-1": (0.20, 0.30, 0.42, 0.55),
    PASSED: (0.10,),
    FAILED: (1.05,),
    WOE: (0.3, 0.9, 2.0, 3.0),
}
_SPREAD_NM: Final = (-0.06, 0.02, 0.05, -0.03, 0.02)


def nm(value: float, unit: str = "N.m") -> dict[str, Any]:
    return {"value": value, "unit": unit}


def open_shop(client: httpx.Client) -> None:
    _send(client, "/v1/testers", a_tester("TB-1", due_on="2027-01-10"))
    _send(client, "/v1/testers", a_tester("TB-0", due_on="2026-01-10"))
    for serial in (*WRENCHES, *_LOW_BY):
        _send(client, "/v1/wrenches", a_wrench(serial))
    shows = {"mechanism": "electronic", "indication": "type_i_indicating", "resolution": nm(0.1)}
    _send(client, "/v1/wrenches", a_wrench(SHOWS) | shows)
    for serial, levels in _LOW_BY.items():
        last = 400 if serial in {"OLD-1", WOE} else 60
        for visit, low_by in enumerate(levels):
            performed = NOW - timedelta(days=last + 120 * (len(levels) - 1 - visit))
            _send(client, f"/v1/wrenches/{serial}/checks", a_check(performed, low_by))


def a_wrench(serial: str) -> dict[str, Any]:
    return {
        "serial": serial,
        "mechanism": "spring",
        "indication": "type_ii_setting",
        "model": "click wrench",
        "lowest": nm(20),
        "full_scale": nm(100),
        "mpd_clockwise": {"percent": 4},
        "mpd_counter_clockwise": {"percent": 6},
        "resolution": nm(0.5),
    }


def a_tester(serial: str, *, due_on: str) -> dict[str, Any]:
    return {
        "serial": serial,
        "lowest": nm(10),
        "full_scale": nm(500),
        "expanded_uncertainty_pct": 0.6,
        "coverage_factor": 2,
        "certificate": f"C-{serial}",
        "calibrated_on": "2024-01-10",
        "due_on": due_on,
    }


def a_check(performed: datetime, low_by: float) -> dict[str, Any]:
    return {
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": performed.isoformat(),
        "tester": "TB-0" if performed < datetime(2026, 1, 10, tzinfo=UTC) else "TB-1",
        "points": [
            {
                "target": nm(target),
                "readings": {
                    "values": [round(target - low_by + noise, 2) for noise in _SPREAD_NM],
                    "unit": "N.m",
                },
            }
            for target in (20, 60, 100)
        ],
    }


def _send(client: httpx.Client, path: str, body: dict[str, Any]) -> None:
    key = f"{path}/{body.get('serial', '')}{body.get('performed_at', '')}"
    client.post(path, json=body, headers={"Idempotency-Key": key}).raise_for_status()
