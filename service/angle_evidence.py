"""The angle checks of a wrench as `analysis.angle` reads them."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from analysis.vocabulary import CheckKind, Direction
from service.angle_records import AngleCheck
from service.angle_verdict import limit_of
from service.frames import day_of
from service.records import AnglePerformance

if TYPE_CHECKING:
    from analysis.angle import AngleHistory


def checks_in(
    checks: Iterable[AngleCheck], wrench: str, direction: Direction
) -> tuple[AngleCheck, ...]:
    """Those of a wrench in one direction in order of time, one found before one left."""
    own = (each for each in checks if each.wrench == wrench and each.direction is direction)
    return tuple(sorted(own, key=lambda each: (each.performed_at, each.kind is CheckKind.AS_LEFT)))


def history_of(checks: Sequence[AngleCheck]) -> "AngleHistory":
    """The history of checks in order of time; a check as left begins a segment, but the first."""
    import numpy as np

    from analysis.angle import AngleHistory

    left = [place > 0 and each.kind is CheckKind.AS_LEFT for place, each in enumerate(checks)]
    readings = [
        (number, point.target_deg, reading.indicated_deg - reading.reference_deg)
        for number, check in enumerate(checks)
        for point in check.points
        for reading in point.readings
    ]
    return AngleHistory(
        day=np.array([day_of(check.performed_at) for check in checks], dtype=np.float64),
        segment=np.cumsum(np.array(left, dtype=np.intp)),
        check=np.array([each[0] for each in readings], dtype=np.intp),
        target_deg=np.array([each[1] for each in readings], dtype=np.float64),
        deviation_deg=np.array([each[2] for each in readings], dtype=np.float64),
    )


def angle_found_out(checks: Sequence[AngleCheck], performance: AnglePerformance) -> bool:
    """Whether the last angle check that counts failed, and none as left has passed since."""
    from analysis.deviation import within
    from analysis.standing import found_out_by

    limit = limit_of(performance)
    by = found_out_by(
        (
            check.id,
            check.kind.value,
            all(
                within(reading.indicated_deg - reading.reference_deg, limit.at(point.target_deg))
                for point in check.points
                for reading in point.readings
            ),
        )
        for check in checks
    )
    return by is not None
