"""What a shop holds, in the formats that `service.imports` reads: importing it gives the same.

The status of a wrench is what a person decided; what keeps it in quarantine are its checks.

Voided checks are left out, and with them what took the place of what; ids, versions and the times
of recording belong to a store and are not carried over.
"""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, Final

from service.angle_records import AngleCheck
from service.imports import angle_csv, check_csv, pull_files
from service.imports.bodies import without_nothing
from service.imports.devices import (
    TESTER_COLUMNS,
    TESTER_OPTIONAL,
    WRENCH_COLUMNS,
    WRENCH_OPTIONAL,
)
from service.records import Card, Check, Point, Pull, Tester, ToleranceBasis, Wrench
from service.torque import Torque

CHECK_COLUMNS: Final = (*check_csv.COLUMNS, *check_csv.OPTIONAL_COLUMNS)
PULL_COLUMNS: Final = (*pull_files.COLUMNS, *pull_files.OPTIONAL_COLUMNS)


def checks_csv(checks: Iterable[Check]) -> Iterator[str]:
    """Lines of CSV, one a reading, after the header.

    Raises ValueError for a point whose readings are not all in one unit: no row could say so.
    """
    yield from _csv(CHECK_COLUMNS, (row for check in checks for row in _check_rows(check)))


def checks_ndjson(checks: Iterable[Check]) -> Iterator[str]:
    """Lines of NDJSON, one a check; raises ValueError as `checks_csv` does."""
    for check in checks:
        yield json.dumps(_check_body(check), ensure_ascii=False, allow_nan=False) + "\n"


def angle_checks_csv(checks: Iterable[AngleCheck]) -> Iterator[str]:
    """Lines of CSV, one a reading, after the header."""
    yield from _csv(angle_csv.COLUMNS, (row for check in checks for row in _angle_rows(check)))


def pulls_csv(pulls: Iterable[Pull]) -> Iterator[str]:
    """Lines of CSV, one a record of work, after the header.

    Whether the wrench was out of service at the time is told by the trail of the store it is in.
    """
    yield from _csv(PULL_COLUMNS, map(_pull_row, pulls))


def wrenches_csv(wrenches: Iterable[Wrench]) -> Iterator[str]:
    """Lines of CSV, one a wrench, after the header."""
    yield from _csv((*WRENCH_COLUMNS, *WRENCH_OPTIONAL), map(_wrench_row, wrenches))


def testers_csv(testers: Iterable[Tester]) -> Iterator[str]:
    """Lines of CSV, one a tester, after the header."""
    yield from _csv((*TESTER_COLUMNS, *TESTER_OPTIONAL), map(_tester_row, testers))


def _csv(columns: Sequence[str], rows: Iterable[dict[str, object]]) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, columns, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()
        writer.writerow(row)
    yield buffer.getvalue()


def _instant(instant: datetime) -> str:
    return instant.isoformat().replace("+00:00", "Z")


def _number(value: float | None) -> str | None:
    """The shortest text that reads as the same number; a negative zero is zero."""
    return None if value is None else repr(value + 0.0).removesuffix(".0")


def _unit(torques: Sequence[Torque]) -> str:
    units = {torque.unit for torque in torques}
    if len(units) != 1:
        raise ValueError(f"readings at one target are in {len(units)} units: {sorted(units)}")
    return units.pop()


def _units_of(point: Point) -> tuple[str, str]:
    """Unit of the readings, and of the indicated values."""
    return (
        _unit([reading.reference for reading in point.readings]),
        _unit([reading.indicated for reading in point.readings]),
    )


def _check_rows(check: Check) -> Iterator[dict[str, object]]:
    card = check.card
    head: dict[str, object] = {
        "wrench": check.wrench,
        "kind": check.kind.value,
        "direction": check.direction.value,
        "performed_at": _instant(check.performed_at),
        "tester": check.tester,
        "operator": check.operator,
        "temperature_c": _number(check.temperature_c),
        "cycle_count": check.cycle_count,
        "card_issuer": card.issuer if card else None,
        "card_certificate": card.certificate if card else None,
        "card_issued_on": card.issued_on.isoformat() if card else None,
        "card_expanded_uncertainty_pct": _number(card.expanded_uncertainty_pct) if card else None,
        "card_coverage_factor": _number(card.coverage_factor) if card else None,
        "card_serial": card.serial if card else None,
        "card_model": card.model if card else None,
        "card_edition": card.edition.value if card and card.edition else None,
        "card_mpd_pct": _number(card.mpd.percent) if card and card.mpd else None,
        "card_mpd_basis": card.mpd.basis.value if card and card.mpd else None,
    }
    for point in check.points:
        unit, indicated_unit = _units_of(point)
        same = all(reading.indicated == point.target for reading in point.readings)
        for reading in point.readings:
            yield head | {
                "target": _number(point.target.value),
                "reading": _number(reading.reference.value),
                "indicated": None if same else _number(reading.indicated.value),
                "unit": unit,
                "target_unit": point.target.unit if point.target.unit != unit else None,
                "indicated_unit": indicated_unit if indicated_unit != unit and not same else None,
            }


def _angle_rows(check: AngleCheck) -> Iterator[dict[str, object]]:
    card = check.card
    for point in check.points:
        for reading in point.readings:
            same = reading.indicated_deg == point.target_deg
            yield {
                "wrench": check.wrench,
                "kind": check.kind.value,
                "direction": check.direction.value,
                "performed_at": _instant(check.performed_at),
                "tester": check.tester,
                "operator": check.operator,
                "expanded_uncertainty_deg": _number(check.expanded_uncertainty_deg),
                "coverage_factor": _number(check.coverage_factor),
                "target_deg": _number(point.target_deg),
                "reference_deg": _number(reading.reference_deg),
                "indicated_deg": None if same else _number(reading.indicated_deg),
                "card_issuer": card.issuer if card else None,
                "card_certificate": card.certificate if card else None,
                "card_issued_on": card.issued_on.isoformat() if card else None,
            }


def _pull_row(pull: Pull) -> dict[str, object]:
    return {
        "wrench": pull.wrench,
        "job": pull.job,
        "performed_at": _instant(pull.performed_at),
        "direction": pull.direction.value,
        "torque": _number(pull.torque.value),
        "unit": pull.torque.unit,
        "angle_deg": _number(pull.angle_deg),
        "operator": pull.operator,
        "count": pull.count,
        "client_id": pull.client_id,
    }


def _check_body(check: Check) -> dict[str, Any]:
    return without_nothing(
        {
            "wrench": check.wrench,
            "kind": check.kind.value,
            "direction": check.direction.value,
            "performed_at": _instant(check.performed_at),
            "tester": check.tester,
            "operator": check.operator,
            "temperature_c": None if check.temperature_c is None else check.temperature_c + 0.0,
            "cycle_count": check.cycle_count,
            "points": [_point_body(point) for point in check.points],
            "card": _card_body(check.card) if check.card else None,
        }
    )


def _point_body(point: Point) -> dict[str, Any]:
    unit, indicated_unit = _units_of(point)
    body: dict[str, Any] = {
        "target": {"value": point.target.value, "unit": point.target.unit},
        "readings": {
            "values": [reading.reference.value for reading in point.readings],
            "unit": unit,
        },
    }
    if any(reading.indicated != point.target for reading in point.readings):
        body["indicated"] = {
            "values": [reading.indicated.value for reading in point.readings],
            "unit": indicated_unit,
        }
    return body


def _card_body(card: Card) -> dict[str, Any]:
    return without_nothing(
        {
            "issuer": card.issuer,
            "certificate": card.certificate,
            "issued_on": card.issued_on.isoformat(),
            "expanded_uncertainty_pct": card.expanded_uncertainty_pct,
            "coverage_factor": card.coverage_factor,
            "serial": card.serial,
            "model": card.model,
            "edition": card.edition.value if card.edition else None,
            "mpd": (
                {"percent": card.mpd.percent, "basis": card.mpd.basis.value} if card.mpd else None
            ),
        }
    )


def _wrench_row(wrench: Wrench) -> dict[str, object]:
    unit = wrench.full_scale.unit
    cw, ccw, resolution = wrench.mpd_clockwise, wrench.mpd_counter_clockwise, wrench.resolution
    angle = wrench.angle
    basis = cw.basis if cw else ccw.basis if ccw else ToleranceBasis.READING
    return {
        "serial": wrench.serial,
        "mechanism": wrench.mechanism.value,
        "indication": wrench.indication.value,
        "model": wrench.model,
        "lowest": _number(wrench.lowest.value),
        "full_scale": _number(wrench.full_scale.value),
        "unit": unit,
        "mpd_clockwise_pct": _number(cw.percent) if cw else None,
        "mpd_counter_clockwise_pct": _number(ccw.percent) if ccw else None,
        "mpd_basis": basis.value,
        "resolution": _number(resolution.value) if resolution else None,
        "drive": wrench.drive,
        "status": wrench.decision.status.value,
        "status_reason": wrench.decision.reason,
        "lowest_unit": wrench.lowest.unit if wrench.lowest.unit != unit else None,
        "resolution_unit": resolution.unit if resolution and resolution.unit != unit else None,
        "mpd_counter_clockwise_basis": ccw.basis.value if ccw and ccw.basis != basis else None,
        "angle_mpd_deg": _number(angle.mpd_deg) if angle else None,
        "angle_mpd_pct": _number(angle.mpd_pct) if angle else None,
        "angle_resolution_deg": _number(angle.resolution_deg) if angle else None,
        "angle_highest_deg": _number(angle.highest_deg) if angle else None,
    }


def _tester_row(tester: Tester) -> dict[str, object]:
    unit = tester.full_scale.unit
    return {
        "serial": tester.serial,
        "model": tester.model,
        "lowest": _number(tester.lowest.value),
        "full_scale": _number(tester.full_scale.value),
        "unit": unit,
        "expanded_uncertainty_pct": _number(tester.expanded_uncertainty_pct),
        "coverage_factor": _number(tester.coverage_factor),
        "certificate": tester.certificate,
        "calibrated_on": tester.calibrated_on.isoformat(),
        "due_on": tester.due_on.isoformat(),
        "lowest_unit": tester.lowest.unit if tester.lowest.unit != unit else None,
    }
