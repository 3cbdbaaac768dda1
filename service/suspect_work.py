"""Which recorded work to look at once a wrench was found out, from the records and `analysis`.

The question is asked of one wrench and direction; what comes back joins each pull as it was
recorded with its chance of having been outside.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from analysis.vocabulary import Direction
from service.frames import day_of, instant_of_day
from service.records import Pull

if TYPE_CHECKING:
    import polars as pl

    from analysis.shop import Shop
    from analysis.traceability import Stretch, Trace, TracedPull

# The pulls of a wrench in one direction after one instant and up to another, oldest first.
PullsDuring = Callable[[Direction, datetime, datetime], tuple[Pull, ...]]


@dataclass(frozen=True, slots=True)
class SuspectWork:
    """The trace of one wrench in one direction, with the pulls that it is of.

    pulls   each as recorded, beside its chance; the most suspect first, and at the head those that
            nothing can be said of
    """

    direction: Direction
    trace: "Trace"
    pulls: "tuple[tuple[Pull, TracedPull], ...]"
    begin: datetime
    end: datetime

    @property
    def made(self) -> int:
        """How many pulls were made, in however many records."""
        return sum(pull.count for pull, _ in self.pulls)


@dataclass(frozen=True, slots=True)
class Ending:
    """Where to end: at the check that found the wrench outside, the last one that did unless it is
    named, or now.
    """

    check: str | None = None
    until_now: bool = False


def suspect_work(
    shop: "Shop",
    wrench: str,
    direction: Direction,
    day: float,
    ending: Ending,
    during: PullsDuring,
) -> SuspectWork:
    """Trace the work of one wrench in one direction.

    day      of the question, days from 1970-01-01
    during   looks up the pulls

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading or
    without a check before the one that found the wrench outside.
    """
    from analysis.shop import stretch_of_wrench, trace_of_wrench

    stretch = stretch_of_wrench(
        shop, wrench, direction, day, ending.check, until_now=ending.until_now
    )
    begin, end = _instants(stretch)
    pulls = during(direction, begin, end)
    trace = trace_of_wrench(shop, wrench, direction, stretch, pull_frame(pulls))
    both = list(zip(pulls, trace.pulls, strict=True))
    both.sort(key=_order)
    return SuspectWork(direction, trace, tuple(both), begin, end)


def pull_frame(pulls: Sequence[Pull]) -> "pl.DataFrame":
    """One row a record, in the same order; schema `analysis.evidence.PULLS`."""
    import polars as pl  # slow to import, and not needed to start

    from analysis.evidence import PULLS

    rows = [
        (
            pull.id,
            pull.wrench,
            pull.direction.value,
            pull.job,
            day_of(pull.performed_at),
            pull.torque.nm,
            pull.count,
        )
        for pull in pulls
    ]
    return pl.DataFrame(rows, schema=PULLS, orient="row")


def _instants(stretch: "Stretch") -> tuple[datetime, datetime]:
    return instant_of_day(stretch.begin_day), instant_of_day(stretch.end_day)


def _order(both: "tuple[Pull, TracedPull]") -> tuple[float, datetime, str]:
    pull, traced = both
    return -(2.0 if traced.probability is None else traced.probability), pull.performed_at, pull.id
