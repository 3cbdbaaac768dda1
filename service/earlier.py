"""Earlier checks of a wrench as the plain readings that tell what to expect of the next one."""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from analysis.vocabulary import Direction
from service.frames import day_of
from service.records import Check, PastReading, Wrench

if TYPE_CHECKING:
    from analysis.expectation import EarlierReading

HISTORY: Final = 20  # latest checks of a wrench that tell what scatter to expect


def past_readings(checks: Iterable[Check], direction: Direction) -> Iterator[PastReading]:
    """The readings of those of the checks that are of this direction."""
    for check in checks:
        if check.direction is direction:
            day = day_of(check.performed_at)
            for point in check.points:
                for reading in point.readings:
                    yield PastReading(
                        check.id,
                        check.kind.value,
                        day,
                        point.target.nm,
                        reading.indicated.nm,
                        reading.reference.nm,
                    )


def earlier_readings(wrench: Wrench, readings: Iterable[PastReading]) -> "list[EarlierReading]":
    """Readings of this wrench in the terms of `analysis.expectation`."""
    from analysis.deviation import deviation_pct
    from analysis.expectation import EarlierReading

    full_scale_nm = wrench.full_scale.nm
    return [
        EarlierReading(
            each.check,
            each.kind,
            each.day,
            each.target_nm / full_scale_nm,
            deviation_pct(each.indicated_nm, each.reference_nm),
        )
        for each in readings
    ]
