"""The bench's plan: every wrench as late as is safe and as early as the bench's capacity needs.

Wrenches already past due come first, the riskiest of them soonest. Of the others as many as the
bench can take are checked in time; where it cannot take all, the riskiest are, so that the plan
removes the most risk (unit jobs with deadlines: taking each in order of worth, if the last free day
before its deadline exists, is optimal). They are placed from the latest due date backwards, each on
the last open day with room that is not after its due date. The rest take the first open days with
room, riskiest first, and are marked late.
Reference: E. L. Lawler, Combinatorial Optimization: Networks and Matroids (1976), chapter 7 (from
memory).
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True, slots=True)
class Waiting:
    """A wrench waiting for the bench.

    due                 last day on which it should be checked
    failure_probability chance that its check would fail on the day the plan is made
    """

    wrench: str
    due: date
    failure_probability: float


@dataclass(frozen=True, slots=True)
class Visit:
    """A wrench on its day at the bench; late: after its due date."""

    wrench: str
    day: date
    due: date
    late: bool
    failure_probability: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Visits by day, riskiest first within a day, and the wrenches that found no room at all."""

    visits: tuple[Visit, ...]
    without_room: tuple[str, ...]


def plan_visits(
    waiting: Collection[Waiting],
    first_day: date,
    last_day: date,
    capacity: int,
    closed_weekdays: Collection[int],
) -> Plan:
    """Place every waiting wrench on an open day from `first_day` to `last_day`.

    capacity         checks a day, at least 1
    closed_weekdays  0 is Monday

    Raises ValueError for less capacity, or a wrench that waits twice.
    """
    if capacity < 1:
        raise ValueError("a bench takes at least one check a day")
    if len({item.wrench for item in waiting}) < len(waiting):
        raise ValueError("a wrench waits for one visit at a time")
    days = [
        first_day + timedelta(days=i)
        for i in range((last_day - first_day).days + 1)
        if (first_day + timedelta(days=i)).weekday() not in closed_weekdays
    ]
    room = dict.fromkeys(days, capacity)
    placed: dict[str, date] = {}

    def place(item: Waiting, choices: list[date]) -> bool:
        for day in choices:
            if room[day]:
                room[day] -= 1
                placed[item.wrench] = day
                return True
        return False

    def riskiest_first(item: Waiting) -> tuple[float, date, str]:
        return (-item.failure_probability, item.due, item.wrench)

    def until(due: date) -> list[date]:
        return [day for day in reversed(days) if day <= due]

    for item in sorted((i for i in waiting if i.due < first_day), key=riskiest_first):
        place(item, days)
    taken = dict(room)
    ahead = sorted((i for i in waiting if i.due >= first_day), key=riskiest_first)
    in_time = [item for item in ahead if place(item, until(item.due))]
    # The same set again, latest due first, so that nobody comes earlier than needed.
    room = taken
    for item in sorted(
        in_time, key=lambda i: (-i.due.toordinal(), i.failure_probability, i.wrench)
    ):
        place(item, until(item.due))
    for item in ahead:
        if item.wrench not in placed:
            place(item, days)
    visits = [
        Visit(
            wrench=item.wrench,
            day=placed[item.wrench],
            due=item.due,
            late=placed[item.wrench] > item.due,
            failure_probability=item.failure_probability,
        )
        for item in waiting
        if item.wrench in placed
    ]
    visits.sort(key=lambda v: (v.day, -v.failure_probability, v.wrench))
    return Plan(
        visits=tuple(visits),
        without_room=tuple(sorted(i.wrench for i in waiting if i.wrench not in placed)),
    )
