"""The days on which the bench works, and the places that are free on them."""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Final

from service.records import Policy

# How far ahead the bench is planned and may be booked: no due date is farther where the cap is the
# usual 12 months.
HORIZON_DAYS: Final = 366


def last_planned_day(today: date) -> date:
    return today + timedelta(days=HORIZON_DAYS - 1)


def is_open(policy: Policy, day: date) -> bool:
    return day.weekday() not in policy.closed_weekdays and day not in policy.closed_dates


def free_places(
    policy: Policy, first_day: date, last_day: date, taken: Mapping[date, int]
) -> dict[date, int]:
    """Places left on each open day that has any, from the first day to the last."""
    return dict(_free_days(policy, first_day, last_day, taken))


def next_free_day(
    policy: Policy, first_day: date, last_day: date, taken: Mapping[date, int]
) -> date | None:
    """The first open day with a free place; None: none is."""
    return next((day for day, _ in _free_days(policy, first_day, last_day, taken)), None)


def _free_days(
    policy: Policy, first_day: date, last_day: date, taken: Mapping[date, int]
) -> Iterator[tuple[date, int]]:
    for offset in range((last_day - first_day).days + 1):
        day = first_day + timedelta(days=offset)
        free = policy.bench_checks_per_day - taken.get(day, 0)
        if free > 0 and is_open(policy, day):
            yield day, free
