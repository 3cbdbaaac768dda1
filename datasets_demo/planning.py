"""When each wrench comes to the bench: days first, then a place in the working day.

Plans run backwards from the last check of each wrench, so that the fleet on LAST_DAY holds
wrenches that are overdue, soon due and fine.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from numpy.random import Generator

from datasets_demo import FIRST_DAY, LAST_DAY
from datasets_demo.fleet import Wrench

SATURDAY: Final = 5
JITTER_DAYS: Final = 20  # either side of the planned interval
LATE_FACTOR: Final = 1.6  # the one interval that was forgotten
SETTLING_IN_DAYS: Final = 60  # nobody checks a wrench so soon after its card
STARTS: Final = tuple(  # of visits at one tester; the last leaves time to adjust before 16:00 UTC
    time(hour, minute) for hour, minute in ((7, 30), (8, 40), (9, 50), (11, 0), (12, 40), (13, 50))
)


@dataclass(frozen=True, slots=True)
class Visit:
    """One wrench at the bench, from `start` on."""

    serial: str
    start: datetime


def is_working_day(day: date) -> bool:
    """Monday to Friday, but not from 24 December to 1 January."""
    closed = (day.month, day.day) >= (12, 24) or (day.month, day.day) == (1, 1)
    return day.weekday() < SATURDAY and not closed


def working_day_before(day: date) -> date:
    """The day itself when the workshop is open, else the last one before it."""
    while not is_working_day(day):
        day -= timedelta(days=1)
    return day


def plan_days(wrench: Wrench, rng: Generator) -> list[date]:
    """The days on which a wrench is checked, oldest first; none when it never was."""
    if wrench.last_check_days_ago is None:
        return []
    earliest = FIRST_DAY
    if wrench.card_on is not None:
        earliest = max(earliest, wrench.card_on + timedelta(days=SETTLING_IN_DAYS))
    days = [working_day_before(LAST_DAY - timedelta(days=wrench.last_check_days_ago))]
    while True:
        gap_days = wrench.interval_days + int(rng.integers(-JITTER_DAYS, JITTER_DAYS + 1))
        if wrench.late_once and len(days) == 1:
            gap_days = round(LATE_FACTOR * gap_days)
        day = working_day_before(days[-1] - timedelta(days=gap_days))
        if day < earliest:
            return days[::-1]
        days.append(day)


def book(wanted: Iterable[tuple[date, str, str]], rng: Generator) -> list[Visit]:
    """Visits for (day, bench, serial): the bench takes one wrench at a time.

    What finds no place on its day moves to the working day before.
    """
    taken: defaultdict[tuple[date, str], int] = defaultdict(int)
    visits = []
    for wanted_day, bench, serial in sorted(wanted):
        day = wanted_day
        while taken[day, bench] == len(STARTS):
            day = working_day_before(day - timedelta(days=1))
        start = datetime.combine(day, STARTS[taken[day, bench]], tzinfo=UTC)
        taken[day, bench] += 1
        visits.append(Visit(serial, start + timedelta(minutes=int(rng.integers(0, 10)))))
    return visits
