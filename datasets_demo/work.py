"""Work that the invented workshop did with some of its wrenches in the story's last year.

Each wrench has a few fasteners of its own, so many alike on a job. Where a wrench counts its
cycles, the work recorded is a little less than the counter shows: nobody writes down everything.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from numpy.random import Generator

from analysis.vocabulary import Direction
from datasets_demo import LAST_DAY
from datasets_demo.fleet import Wrench
from datasets_demo.planning import is_working_day

FIRST_WORK_DAY: Final = date(2025, 11, 20)
WORKERS: Final = ("bay 1", "bay 2", "bay 3", "bay 4")
RECORDED_SHARE: Final = 0.9  # of the cycles that a wrench is used for
SHARE_OF_A_FURTHER_PART: Final = 0.35  # of records that belong to the job before
WORKING_DAYS_A_YEAR: Final = 256
_OPENS: Final = time(7, 40)
_MINUTES_OPEN: Final = 460
_FIRST_JOB: Final = 1042


@dataclass(frozen=True, slots=True)
class Fastener:
    """What a job wants of a wrench: so many pulls alike at one setting, in the wrench's unit."""

    torque: float
    count: int
    direction: Direction = Direction.CLOCKWISE


@dataclass(frozen=True, slots=True)
class Work:
    """One record of work."""

    wrench: Wrench
    job: str
    performed_at: datetime
    fastener: Fastener
    operator: str


def _left_hand(torque: float, count: int) -> Fastener:
    return Fastener(torque, count, Direction.COUNTER_CLOCKWISE)


# The workshop's invented fasteners; those low in a range are what a worn trip gets wrong first.
FASTENERS: Final[dict[str, tuple[Fastener, ...]]] = {
    "SP-103": (Fastener(6, 12), Fastener(10, 8), Fastener(18, 6), _left_hand(7, 4)),
    "SP-104": (Fastener(5, 10), Fastener(9, 8), Fastener(16, 12)),
    "SP-105": (Fastener(8, 10), Fastener(12, 12), Fastener(30, 8), _left_hand(40, 2)),
    "SP-111": (Fastener(25, 8), Fastener(45, 16), Fastener(80, 10)),
    "SP-112": (Fastener(22, 12), Fastener(50, 8), Fastener(90, 12), _left_hand(35, 2)),
    "SP-115": (Fastener(42, 10), Fastener(60, 8), Fastener(110, 20), Fastener(140, 5)),
    "EL-203": (Fastener(15, 8), Fastener(40, 16), Fastener(75, 10)),
    "EL-204": (Fastener(28, 12), Fastener(85, 16), Fastener(120, 20)),
}
# Twice somebody took a wrench below its marked range: such work cannot be judged at all.
BELOW_RANGE: Final = (("SP-111", date(2026, 2, 17)), ("SP-115", date(2026, 5, 12)))


def make_work(wrenches: dict[str, Wrench], rng: Generator) -> list[Work]:
    """All recorded work, oldest first; jobs are numbered as they come."""
    planned = [
        (moment, serial, fastener, further)
        for serial in FASTENERS
        for moment, fastener, further in _of_wrench(wrenches[serial], rng)
    ]
    planned += [
        (datetime.combine(day, time(15, 40), tzinfo=UTC), serial,
         Fastener(0.75 * wrenches[serial].lowest, 4), False)
        for serial, day in BELOW_RANGE
    ]  # fmt: skip
    planned.sort(key=lambda each: (each[0], each[1]))
    job = _FIRST_JOB
    last: dict[str, str] = {}
    work = []
    for moment, serial, fastener, further in planned:
        if not further or serial not in last:
            last[serial] = f"W-{job}"
            job += 1
        operator = WORKERS[int(rng.integers(0, len(WORKERS)))]
        work.append(Work(wrenches[serial], last[serial], moment, fastener, operator))
    return work


def _of_wrench(wrench: Wrench, rng: Generator) -> list[tuple[datetime, Fastener, bool]]:
    """When, what, and whether it is a further part of the job before, of the same day."""
    fasteners = FASTENERS[wrench.serial]
    usual = sum(fastener.count for fastener in fasteners) / len(fasteners)
    a_day = RECORDED_SHARE * wrench.cycles_per_year / usual / WORKING_DAYS_A_YEAR
    made = []
    day = FIRST_WORK_DAY
    while day <= LAST_DAY:
        if is_working_day(day):
            count = int(rng.poisson(a_day))
            minutes = sorted(rng.choice(_MINUTES_OPEN, size=count, replace=False).tolist())
            for place, minute in enumerate(minutes):
                moment = datetime.combine(day, _OPENS, tzinfo=UTC) + timedelta(minutes=minute)
                fastener = fasteners[int(rng.integers(0, len(fasteners)))]
                further = place > 0 and rng.random() < SHARE_OF_A_FURTHER_PART
                made.append((moment, fastener, bool(further)))
        day += timedelta(days=1)
    return made
