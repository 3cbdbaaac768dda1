"""The bench's plan for the days to come: which wrench in service is checked when.

Joins the due dates that `analysis` finds with what the records say.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from service.frames import date_of_day
from service.records import Policy, ServiceStatus, Wrench

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.schedule import Plan
    from analysis.vocabulary import Direction


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """The plan, and the wrenches in service that nothing is known about."""

    plan: "Plan"
    unchecked: tuple[str, ...]
    first_day: date
    last_day: date


def bench_plan(
    wrenches: Iterable[Wrench],
    due: "Mapping[tuple[str, Direction], Due]",
    policy: Policy,
    today: date,
    days: int,
) -> BenchPlan:
    """The plan from today on; wrenches due after the last day wait for a later plan.

    due    of every wrench and direction that has one; the earlier direction counts
    days   how many days the plan covers, at least 1
    """
    from analysis.schedule import Waiting, plan_visits

    last_day = today + timedelta(days=days - 1)
    waiting, unchecked = [], []
    for wrench in wrenches:
        if wrench.status is ServiceStatus.OUT_OF_SERVICE:
            continue
        own = [found for (serial, _), found in due.items() if serial == wrench.serial]
        if not own:
            unchecked.append(wrench.serial)
            continue
        due_on = min(date_of_day(found.due_day, policy.time_zone) for found in own)
        if due_on <= last_day:
            passing = min(found.waits[0].pass_probability for found in own)
            waiting.append(Waiting(wrench.serial, due_on, 1.0 - passing))
    plan = plan_visits(
        waiting, today, last_day, policy.bench_checks_per_day, policy.closed_weekdays
    )
    return BenchPlan(plan, tuple(unchecked), today, last_day)
