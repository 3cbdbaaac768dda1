"""The whole fleet on one day: who is riskiest, who is due, who is out, and the bench's plan.

What a lead technician looks at in the morning. Joins the records with what `analysis` finds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.fitness import Fitness
from analysis.vocabulary import Direction
from service.bench_plan import BenchPlan, bench_plan
from service.bookings import BenchBook
from service.frames import date_of_day, number_of_date
from service.pull import JudgedPull, PullDay, torque_of
from service.records import ServiceStatus, Wrench
from service.registry import Registry
from service.torque import Torque
from service.whole_shop import JudgedPulls, WholeShop

if TYPE_CHECKING:
    from service.shop_evidence import ShopEvidence

PLAN_DAYS: Final = 35


@dataclass(frozen=True, slots=True)
class WrenchDay:
    """A wrench in service: its riskiest direction, and the earlier due date of its directions.

    place   of that direction's pull among those judged
    """

    wrench: Wrench
    direction: Direction
    fitness: Fitness
    due_on: date
    place: int


@dataclass(frozen=True, slots=True)
class ToldDay:
    """A wrench's day with the verdict in full; torque: where in its range a pull is riskiest."""

    wrench: Wrench
    direction: Direction
    judged: JudgedPull
    torque: Torque
    due_on: date


@dataclass(frozen=True, slots=True)
class FleetDay:
    """The fleet on a day of the shop.

    rows      the riskiest first
    unknown   in service without a reading that speaks for them, by serial
    out       out of service, by serial
    plan      of PLAN_DAYS
    whole, judged  what the rows were made from, the riskiest first
    """

    today: date
    rows: tuple[WrenchDay, ...]
    unknown: tuple[Wrench, ...]
    out: tuple[Wrench, ...]
    plan: BenchPlan
    whole: WholeShop
    judged: JudgedPulls

    def told(self, rows: Sequence[WrenchDay]) -> list[ToldDay]:
        """Some of the rows with every reason."""
        places = tuple(row.place for row in rows)
        pulls = self.judged.only(np.array(places, dtype=np.intp))
        told = self.whole.by.kept(("told", places), lambda: self.whole.in_words(pulls))
        return [
            ToldDay(
                row.wrench,
                row.direction,
                judged,
                torque_of(row.wrench, judged.risk.x),
                row.due_on,
            )
            for row, judged in zip(rows, told, strict=True)
        ]

    def overdue(self) -> tuple[WrenchDay, ...]:
        return tuple(row for row in self.rows if row.due_on < self.today)


def fleet_day(evidence: "ShopEvidence", registry: Registry, book: BenchBook) -> FleetDay:
    """The fleet on the book's day."""
    policy = book.policy
    by = PullDay.of(evidence, policy, number_of_date(book.today))
    whole = WholeShop(by, registry)
    judged = whole.by_score(whole.riskiest())
    rows = _rows(whole, judged)
    known = {row.wrench.serial for row in rows}
    return FleetDay(
        today=book.today,
        rows=tuple(rows),
        unknown=tuple(each for each in registry.in_service if each.serial not in known),
        out=tuple(each for each in registry if each.status is ServiceStatus.OUT_OF_SERVICE),
        plan=bench_plan(book, by.due.all(), PLAN_DAYS),
        whole=whole,
        judged=judged,
    )


def _rows(whole: WholeShop, judged: JudgedPulls) -> list[WrenchDay]:
    """One a wrench, the riskiest first; a wrench stands where its riskier direction does."""
    by, order, due = whole.by, list(Fitness), whole.by.due.all()
    rows: dict[str, WrenchDay] = {}
    for place, (member, fitness) in enumerate(
        zip(judged.pulls.member.tolist(), judged.fitness.tolist(), strict=True)
    ):
        serial, direction = whole.day.members[member]
        due_on = date_of_day(due[serial, direction].due_day, by.policy.time_zone)
        if first := rows.get(serial):
            rows[serial] = replace(first, due_on=min(first.due_on, due_on))
        else:
            wrench = whole.registry.by_serial[serial]
            rows[serial] = WrenchDay(wrench, direction, order[fitness], due_on, place)
    return list(rows.values())
