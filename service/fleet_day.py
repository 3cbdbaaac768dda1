"""The whole fleet on one day: who is riskiest, who is due, who is out, and the bench's plan.

What a lead technician looks at in the morning. Joins the records with what `analysis` finds.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from analysis.errors import NotEnoughEvidence
from analysis.vocabulary import Direction
from service.bench_plan import BenchPlan, bench_plan
from service.bookings import BenchBook
from service.frames import date_of_day, number_of_date
from service.pull import JudgedPull, PullDay, judge_pull, torque_of
from service.records import ServiceStatus, Wrench
from service.torque import Torque

if TYPE_CHECKING:
    from service.fleet_cache import ShopEvidence

PLAN_DAYS: Final = 35


@dataclass(frozen=True, slots=True)
class WrenchDay:
    """A wrench in service: its riskiest direction, and the earlier due date of its directions."""

    wrench: Wrench
    direction: Direction
    judged: JudgedPull
    torque: Torque  # where in its range a pull is riskiest
    due_on: date


@dataclass(frozen=True, slots=True)
class FleetDay:
    """The fleet on a day of the shop.

    rows      the riskiest first
    unknown   in service without a reading that speaks for them, by serial
    out       out of service, by serial
    plan      of PLAN_DAYS
    """

    today: date
    rows: tuple[WrenchDay, ...]
    unknown: tuple[Wrench, ...]
    out: tuple[Wrench, ...]
    plan: BenchPlan

    def overdue(self) -> tuple[WrenchDay, ...]:
        return tuple(row for row in self.rows if row.due_on < self.today)


def fleet_day(evidence: "ShopEvidence", wrenches: Iterable[Wrench], book: BenchBook) -> FleetDay:
    """The fleet on the book's day.

    wrenches   all of the shop's, by serial
    """
    policy, day = book.policy, number_of_date(book.today)
    by = PullDay.of(evidence, policy, day)
    rows: list[WrenchDay] = []
    unknown: list[Wrench] = []
    out: list[Wrench] = []
    for wrench in wrenches:
        if wrench.status is ServiceStatus.OUT_OF_SERVICE:
            out.append(wrench)
            continue
        found = _of_wrench(by, wrench, policy.time_zone)
        if found is None:
            unknown.append(wrench)
        else:
            rows.append(found)
    rows.sort(key=lambda row: (-row.judged.risk.score, row.wrench.serial))
    return FleetDay(
        today=book.today,
        rows=tuple(rows),
        unknown=tuple(unknown),
        out=tuple(out),
        plan=bench_plan(book, by.due, PLAN_DAYS),
    )


def _of_wrench(by: PullDay, wrench: Wrench, time_zone: str) -> WrenchDay | None:
    judged: list[tuple[JudgedPull, Direction]] = []
    for way in Direction:
        if wrench.mpd(way) is not None:
            try:
                judged.append((judge_pull(by, wrench, way, None), way))
            except NotEnoughEvidence:
                continue  # the other direction may have a reading
    if not judged:
        return None
    worst, direction = max(judged, key=lambda each: each[0].risk.score)
    return WrenchDay(
        wrench=wrench,
        direction=direction,
        judged=worst,
        torque=torque_of(wrench, worst.risk.x),
        due_on=min(date_of_day(by.due[wrench.serial, way].due_day, time_zone) for _, way in judged),
    )
