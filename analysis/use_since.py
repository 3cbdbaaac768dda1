"""Cycles of a wrench since its last check, what tells them, and when they reach the policy's cap.

A counter read at a later check, of the other direction, comes first; recorded pulls are added to
it. Where the recording began too late to stand for the whole use (`use_count.LATEST_BEGIN_DAYS`),
the time before it runs at the wrench's pace, and where no work is recorded, all of it does. With no
pace known either, the count is unknown: then what is recorded is the least it can be, and a cap
which that alone has reached is reached.

Work that nobody wrote down is in no count but the counter's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.use_count import LATEST_BEGIN_DAYS
from analysis.use_pace import SHORTEST_SPAN_DAYS

_DAY: Final = 1.0  # within it, a counter read is up to date


class UseSource(StrEnum):
    """The weakest of what a count of cycles rests on."""

    COUNTER = "counter"
    PULLS = "pulls"
    PACE_ASSUMED = "pace_assumed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Work:
    """What is on record of a wrench since its last check in one direction; UTC days.

    check_day   that check
    read_day    the last later check of the wrench with a counter read at both; else `check_day`
    read        cycles between the two by the counter; 0.0 where none was read later
    begun_day   first work ever recorded of the wrench; None: none is
    pulls       (day, pulls) after `read_day`, in order of time
    until_day   up to which all this is known
    """

    check_day: float
    read_day: float
    read: float
    begun_day: float | None
    pulls: tuple[tuple[float, int], ...]
    until_day: float

    @classmethod
    def unrecorded(cls, check_day: float, until_day: float | None = None) -> "Work":
        """Nothing is on record since the check."""
        until = check_day if until_day is None else max(until_day, check_day)
        return cls(check_day, check_day, 0.0, None, (), until)


@dataclass(frozen=True, slots=True)
class UseSince:
    """The count, its parts and its pace.

    cycles          since the last check; None: unknown
    source          the weakest of the parts
    read            by the counter
    recorded        pulls; the least that `cycles` can be, with `read`, where they are unknown
    assumed         at the pace, where neither tells
    cycles_per_day  pace from here on; None: not known
    """

    source: UseSource
    read: float
    recorded: float
    assumed: float
    cycles_per_day: float | None
    work: Work

    @property
    def cycles(self) -> float | None:
        return None if self.source is UseSource.UNKNOWN else self._least

    @property
    def _least(self) -> float:
        return self.read + self.recorded + self.assumed

    def cap_day(self, cap_cycles: float) -> float:
        """The day on which the count reaches the cap; infinity: never, or not known when."""
        work, pace = self.work, self.cycles_per_day
        steady = self.read + self.assumed
        if self._least < cap_cycles:
            if self.source is UseSource.UNKNOWN or not pace:
                return np.inf
            return work.until_day + (cap_cycles - self._least) / pace
        if self.read >= cap_cycles:
            share = cap_cycles / self.read
            return work.check_day + share * (work.read_day - work.check_day)
        if pace and steady >= cap_cycles:
            return work.read_day + (cap_cycles - self.read) / pace
        reached = steady + np.cumsum([count for _, count in work.pulls])
        return work.pulls[int(np.searchsorted(reached, cap_cycles))][0]


def use_since(work: Work, cycles_per_day: float | None) -> UseSince:
    """The use since the last check.

    cycles_per_day  pace by the counts noted at checks; None: not known, then that of the recorded
                    pulls stands in where they span a month
    """
    recorded = float(sum(count for _, count in work.pulls))
    begun = work.until_day if work.begun_day is None or not work.pulls else work.begun_day
    begun = max(begun, work.read_day)
    told_by_pulls = bool(work.pulls) and begun <= work.read_day + LATEST_BEGIN_DAYS
    untold = 0.0 if told_by_pulls else begun - work.read_day
    pace = cycles_per_day
    if pace is None and work.until_day - begun >= SHORTEST_SPAN_DAYS:
        pace = recorded / (work.until_day - begun)
    if told_by_pulls:
        source = UseSource.PULLS
    elif work.read_day > work.check_day and untold <= _DAY:
        source, untold = UseSource.COUNTER, 0.0
    else:
        source = UseSource.UNKNOWN if pace is None else UseSource.PACE_ASSUMED
    return UseSince(
        source=source,
        read=work.read,
        recorded=recorded,
        assumed=untold * (pace or 0.0),
        cycles_per_day=pace,
        work=work,
    )


def cap_days(uses: Sequence[UseSince], cap_cycles: float) -> Array:
    """(N,) days on which the uses reach the cap; infinity: never, or not known when."""
    return np.array([use.cap_day(cap_cycles) for use in uses], dtype=np.float64)
