"""The bench's plan: every wrench as late as is safe and as early as the bench's capacity needs.

Wrenches already past due come first, the riskiest of them soonest. The others are placed from the
latest due date backwards, each on the last open day with room that is not after its due date; one
that finds no such day takes the first open day with room and is marked late.
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
    """
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

    overdue = sorted(
        (item for item in waiting if item.due < first_day),
        key=lambda item: (-item.failure_probability, item.due, item.wrench),
    )
    in_time = sorted(
        (item for item in waiting if item.due >= first_day),
        key=lambda item: (-item.due.toordinal(), item.failure_probability, item.wrench),
    )
    for item in overdue:
        place(item, days)
    squeezed = [
        item for item in in_time if not place(item, [d for d in reversed(days) if d <= item.due])
    ]
    for item in reversed(squeezed):
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
