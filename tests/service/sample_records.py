"""Invented records for tests of the service: one spring wrench, one tester, checks of it."""

from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

from analysis.vocabulary import CheckKind, Direction, Mechanism
from service.records import (
    Card,
    Check,
    Indication,
    MaximumPermissibleDeviation,
    Point,
    Pull,
    Reading,
    Tester,
    Wrench,
)
from service.torque import Torque


class TakenBack(Exception):  # noqa: N818 - what a test raises to have a transaction undone
    pass


NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


def nm(value: float) -> Torque:
    return Torque.of(float(value), "N.m")


def a_wrench(serial: str = "TW-1", **changes: object) -> Wrench:
    fields: dict[str, object] = {
        "serial": serial,
        "mechanism": Mechanism.SPRING,
        "indication": Indication.SETTING,
        "model": "click wrench",
        "lowest": nm(20),
        "full_scale": nm(100),
        "mpd_clockwise": MaximumPermissibleDeviation(percent=4),
        "mpd_counter_clockwise": None,
        "resolution": nm(0.5),
        "drive": "1/2 in",
        "registered_at": NOW - timedelta(days=900),
    }
    return Wrench(**(fields | changes))  # type: ignore[arg-type]


def a_tester(serial: str = "TB-1", **changes: object) -> Tester:
    fields: dict[str, object] = {
        "serial": serial,
        "model": "bench tester",
        "lowest": nm(10),
        "full_scale": nm(200),
        "expanded_uncertainty_pct": 0.6,
        "coverage_factor": 2.0,
        "certificate": "C-26-001",
        "calibrated_on": date(2025, 1, 10),
        "due_on": date(2027, 1, 10),
        "registered_at": NOW - timedelta(days=900),
    }
    return Tester(**(fields | changes))  # type: ignore[arg-type]


def a_card(**changes: object) -> Card:
    fields: dict[str, object] = {
        "issuer": "bench of the maker",
        "certificate": "W-77",
        "issued_on": date(2026, 5, 1),
    }
    return Card(**(fields | changes))  # type: ignore[arg-type]


def points(*targets: float, repeats: int = 5, low_by: float = 0.1) -> tuple[Point, ...]:
    return tuple(
        Point(
            target=nm(target),
            readings=tuple(
                Reading(reference=nm(target - low_by + 0.01 * i), indicated=nm(target))
                for i in range(repeats)
            ),
        )
        for target in targets
    )


def a_check(wrench: str = "TW-1", **changes: object) -> Check:
    fields: dict[str, object] = {
        "id": str(uuid4()),
        "wrench": wrench,
        "kind": CheckKind.AS_FOUND,
        "direction": Direction.CLOCKWISE,
        "performed_at": NOW - timedelta(days=1),
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": 21.5,
        "cycle_count": 1200,
        "points": points(20, 60, 100),
        "recorded_at": NOW,
    }
    return Check(**(fields | changes))  # type: ignore[arg-type]


def a_pull(**changes: object) -> Pull:
    fields: dict[str, object] = {
        "id": str(uuid4()),
        "wrench": "TW-1",
        "job": "W-1042",
        "torque": nm(60),
        "direction": Direction.CLOCKWISE,
        "angle_deg": None,
        "performed_at": NOW - timedelta(days=2),
        "operator": "bay 2",
        "count": 1,
        "client_id": None,
        "out_of_service": False,
        "recorded_at": NOW,
    }
    return Pull(**(fields | changes))  # type: ignore[arg-type]
