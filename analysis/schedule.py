"""The bench's plan: every check on a day, levelled exactly over the days that have room.

What a plan costs, in this order; each is made as small as it can be without more of one before it:

1. days that wrenches past due still wait, so that they hold the first places;
2. days by which the others come after the last day that policy allows (months, cycles);
3. days by which they come after their due dates;
4. exposure against interval given away. With f(t) the chance that a check on day t would find the
   wrench out of tolerance, a late check costs the sum of f(t) over its late days: the expected
   number of days out of tolerance. A check before its due date gives days of interval away. A day
   of interval is worth to the shop what it accepts for it on the last one, a = 1 - reliability
   target, and costs f(t) of exposure, so giving it away costs max(a - f(t), a / 10). Where nothing
   is in the way a check therefore falls on its due date; where the bench is full, those come early
   that are nearest to failing. The tenth keeps anybody from being called without need;
5. expected days out of tolerance until the checks, where all else is equal.

This is a transport problem with several costs in turn, solved exactly (`analysis.transport`): the
first three are whole days; the last two are rounded to whole steps of 1e-9 of a day for each visit,
and no plan is better than this one in the costs so rounded.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.due import Due
from analysis.transport import Whole, placed_in_turn

_LEAST_WORTH: Final = 0.1  # of a day of interval, as a share of what the shop accepts for one
_STEPS: Final = 1e9  # of a cost in a day


@dataclass(frozen=True, slots=True)
class Waiting:
    """A wrench waiting for the bench.

    due      last day on which it should be checked
    cap      last day on which policy allows its check, not before `due`
    failing  chance that its check would fail on each day from the plan's first on; the last value
             holds for all days after
    """

    wrench: str
    due: date
    cap: date
    failing: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Visit:
    """A wrench on its day at the bench.

    late                 after its due date
    days_past_cap        after the last day that policy allows
    failure_probability  chance that its check would fail on the day the plan is made
    expected_days_out    expected number of days out of tolerance from then until the visit
    """

    wrench: str
    day: date
    due: date
    late: bool
    days_past_cap: int
    failure_probability: float
    expected_days_out: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Visits by day, riskiest first within a day, and the wrenches that found no room at all."""

    visits: tuple[Visit, ...]
    without_room: tuple[str, ...]


def plan_visits(
    waiting: Collection[Waiting],
    first_day: date,
    room: Mapping[date, int],
    accepted_failing: float,
) -> Plan:
    """Place every waiting wrench on a day that has room, as the module says.

    room              free places of the bench's days; days before `first_day` are passed over
    accepted_failing  chance of failing that the shop accepts on the due date, above 0

    Raises ValueError for a wrench that waits twice.
    """
    if len({item.wrench for item in waiting}) < len(waiting):
        raise ValueError("a wrench waits for one visit at a time")
    items = sorted(waiting, key=lambda item: item.wrench)
    days = sorted(day for day, free in room.items() if free > 0 and day >= first_day)
    if not items or not days:
        return Plan(visits=(), without_room=tuple(item.wrench for item in items))
    free = [room[day] for day in days]
    without = max(len(items) - sum(free), 0)
    if without:  # a day after the last, for those that find no room
        days.append(days[-1] + timedelta(days=1))
        free.append(without)
    priced = [_Priced(item, first_day, days[-1], accepted_failing) for item in items]
    placed = _placed(priced, days, free)
    with_room = [each for each in zip(priced, placed, strict=True) if each[1] in room]
    visits = [each.visit(day) for each, day in with_room]
    visits.sort(key=lambda v: (v.day, -v.failure_probability, v.wrench))
    return Plan(
        visits=tuple(visits),
        without_room=tuple(
            each.item.wrench for each, day in zip(priced, placed, strict=True) if day not in room
        ),
    )


def failing_by_day(due: Due, as_of_day: float, days: int) -> Array:
    """(days,) chances that a check would fail, from the day that `due` was worked out for on.

    Between the days for which a pass probability is known its normal quantile is taken as straight,
    after the last of them as going on in the same way.
    """
    from scipy.special import ndtr, ndtri  # slow to import

    known = {float(wait.days): wait.pass_probability for wait in due.waits}
    until_due = due.due_day - as_of_day
    if until_due > 0.0:
        known[until_due] = due.pass_probability_at_due
    at = np.array(sorted(known))
    quantile = np.asarray(ndtri(np.clip([known[t] for t in at], 1e-12, 1 - 1e-12)))
    slope = min(float((quantile[-1] - quantile[-2]) / (at[-1] - at[-2])), 0.0)
    t = np.arange(days, dtype=np.float64)
    beyond = slope * np.maximum(t - at[-1], 0.0)
    return np.asarray(ndtr(-(np.interp(t, at, quantile) + beyond)))


class _Priced:
    """A waiting wrench with what each day would cost; days count from the first one."""

    def __init__(self, item: Waiting, first_day: date, last_day: date, accepted: float) -> None:
        self.item = item
        self._first_day = first_day
        self.due = (item.due - first_day).days
        self.cap = (item.cap - first_day).days
        horizon = (last_day - first_day).days
        failing = np.array(item.failing)[np.minimum(np.arange(horizon), len(item.failing) - 1)]
        self._exposure = np.concatenate([[0.0], np.cumsum(failing)])  # until each day
        worth = np.maximum(accepted - failing, _LEAST_WORTH * accepted)
        given_away = np.concatenate([[0.0], np.cumsum(worth)])
        start = min(max(self.due, 0), horizon)
        self.price = np.maximum(given_away[start] - given_away, 0.0) + np.maximum(
            self._exposure - self._exposure[start], 0.0
        )

    def exposure(self, offsets: Whole) -> Array:
        """Expected days out of tolerance until each day."""
        found: Array = self._exposure[offsets]
        return found

    def visit(self, day: date) -> Visit:
        return Visit(
            wrench=self.item.wrench,
            day=day,
            due=self.item.due,
            late=day > self.item.due,
            days_past_cap=max((day - self.item.cap).days, 0),
            failure_probability=self.item.failing[0],
            expected_days_out=float(self._exposure[(day - self._first_day).days]),
        )


def _placed(items: Sequence[_Priced], days: Sequence[date], free: Sequence[int]) -> list[date]:
    """The day of each item."""
    first = items[0]._first_day
    offsets = np.array([(day - first).days for day in days])
    at = placed_in_turn(_costs(items, offsets), np.array(free))
    return [days[column] for column in at.tolist()]


def _costs(items: Sequence[_Priced], offsets: Whole) -> Iterator[Whole]:
    """What the module counts, in its order: each (items, days)."""
    due = np.array([item.due for item in items])[:, None]
    cap = np.array([item.cap for item in items])[:, None]
    yield np.where(due < 0, offsets, 0)
    for last in (cap, due):
        yield np.where(due < 0, 0, np.maximum(offsets - last, 0))
    yield _in_steps([item.price[offsets] for item in items])
    yield _in_steps([item.exposure(offsets) for item in items])


def _in_steps(days: Sequence[Array]) -> Whole:
    steps: Whole = np.rint(np.stack(days) * _STEPS).astype(np.int64)
    return steps
