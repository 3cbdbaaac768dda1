"""Where a check has to measure, and how often, to say that a wrench keeps to ISO 6789-1.

Targets are the lowest value, 60 % and 100 % of full scale. What the lowest is depends on the
edition: 20 % of full scale in 2003 (the lowest marked value where that is higher), the lowest
marked value in 2017. Sources: the lowest value, articles on the revision of 2017; 60 % and 100 %,
and the numbers of readings, from memory.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from analysis.vocabulary import Edition

READINGS: Final = 5  # at each target; from memory
# Adjustable without a graduation (type II, classes C and F), when new; 5 when checked again. From
# memory, weak.
READINGS_NEW_NOT_GRADUATED: Final = 10

_LOWEST_OF_2003: Final = 0.20
_UPPER: Final = (0.60, 1.00)
# Scales are not marked at every share: so near, in shares of full scale, is there. Common practice,
# no source.
SAME_PLACE: Final = 0.02


@dataclass(frozen=True, slots=True)
class PointCount:
    """How many readings were taken at a share of full scale."""

    x: float
    readings: int


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A prescribed place with fewer readings than it needs.

    places    shares of full scale, any of which would do
    found     readings there; 0: nothing was measured at it
    """

    places: tuple[float, ...]
    found: int


def prescribed_places(lowest_x: float, edition: Edition | None) -> tuple[tuple[float, ...], ...]:
    """Each place that has to be measured, as the shares of full scale any of which will do.

    lowest_x   lowest marked value / full scale
    edition    None: not known, so that the lowest value of either will do
    """
    of_2003 = max(_LOWEST_OF_2003, lowest_x)
    lowest = {
        Edition.E2003: (of_2003,),
        Edition.E2017: (lowest_x,),
        None: tuple(dict.fromkeys((lowest_x, of_2003))),
    }[edition]
    return (lowest, *((x,) for x in _UPPER if x > lowest[-1] + SAME_PLACE))


def shortfalls(
    counts: Iterable[PointCount], lowest_x: float, edition: Edition | None, readings: int
) -> tuple[Shortfall, ...]:
    """The prescribed places at which fewer than `readings` were taken, the lowest first."""
    taken = tuple(counts)
    short = []
    for places in prescribed_places(lowest_x, edition):
        found = max(
            sum(count.readings for count in taken if abs(count.x - place) <= SAME_PLACE)
            for place in places
        )
        if found < readings:
            short.append(Shortfall(places, found))
    return tuple(short)
