"""What due dates save or risk against a fixed interval for all: checks, and days out of tolerance.

Both are as if every interval to come were like the one that runs now (as in `analysis.what_if`). A
day out of tolerance is one on which a check would find a reading outside the MPD; an interval I
with the chance f(t) of that on its day t has, a year, 365.25 / I times the integral of f from 0 to
I. Both directions of a wrench are checked in one visit: the earlier due date counts, and the days
of the direction that is out more. A wrench that was below the target on the day of its last check
needs work, not an interval, and is in neither sum.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.due import policy_caps
from analysis.error_law import DAYS_PER_YEAR
from analysis.outlook import last_days
from analysis.pass_curve import PassCurve
from analysis.shop import PlannedGroup, Shop, planned_groups

_SHORTEST_DAYS: Final = 1.0


@dataclass(frozen=True, slots=True)
class Regime:
    """A way to set intervals, for one wrench or a sum over wrenches, a year.

    checks    expected number of checks
    days_out  expected number of days out of tolerance
    """

    checks: float
    days_out: float


@dataclass(frozen=True, slots=True)
class WrenchSavings:
    """One wrench; interval_days: from its last check to its due date."""

    wrench: str
    interval_days: float
    by_due_dates: Regime
    fixed: Regime


@dataclass(frozen=True, slots=True)
class Savings:
    """The wrenches of a shop, and their sums.

    needs_work  below the target on the day of their last check, in neither sum
    """

    wrenches: tuple[WrenchSavings, ...]
    needs_work: tuple[str, ...]
    by_due_dates: Regime
    fixed: Regime


@dataclass(frozen=True, slots=True)
class _Way:
    """A wrench in one direction; runs: not below the target at its last check."""

    curve: PassCurve
    runs: bool
    interval_days: float

    def days_out(self, interval_days: float) -> float:
        """A year, at such an interval."""
        out = float(self.curve.failing_days(np.array([interval_days]))[0])
        return DAYS_PER_YEAR / interval_days * out


def savings_of_shop(shop: Shop, fixed_days: float) -> Savings:
    """Every wrench that has a stated tolerance and a reading; `fixed_days` above zero."""
    ways: dict[str, list[_Way]] = {}
    for family in shop.fit.families:
        for group in planned_groups(shop, family):
            names = group.family.histories.wrenches
            for name, way in zip(names, _ways(group, shop, fixed_days), strict=True):
                ways.setdefault(name, []).append(way)
    found = tuple(
        _of_wrench(name, of_wrench, fixed_days)
        for name, of_wrench in sorted(ways.items())
        if all(way.runs for way in of_wrench)
    )
    return Savings(
        wrenches=found,
        needs_work=tuple(
            sorted(name for name, each in ways.items() if not all(way.runs for way in each))
        ),
        by_due_dates=_sum([each.by_due_dates for each in found]),
        fixed=_sum([each.fixed for each in found]),
    )


def _ways(group: PlannedGroup, shop: Shop, fixed_days: float) -> list[_Way]:
    start = last_days(group.family)
    caps = policy_caps(start, shop.rules.due, group.uses)
    curve = PassCurve.of(group, max(fixed_days, float((caps.months_day - start).max())))
    crossing = curve.first_crossing(shop.rules.due.reliability_target)
    interval = np.maximum(caps.bounded(start + crossing)[0] - start, _SHORTEST_DAYS)
    return [
        _Way(curve.of_row(row), bool(crossing[row] > 0.0), float(interval[row]))
        for row in range(len(start))
    ]


def _of_wrench(wrench: str, ways: list[_Way], fixed_days: float) -> WrenchSavings:
    interval = min(way.interval_days for way in ways)

    def regime(days: float) -> Regime:
        return Regime(DAYS_PER_YEAR / days, max(way.days_out(days) for way in ways))

    return WrenchSavings(wrench, interval, by_due_dates=regime(interval), fixed=regime(fixed_days))


def _sum(regimes: list[Regime]) -> Regime:
    return Regime(
        checks=sum(regime.checks for regime in regimes),
        days_out=sum(regime.days_out for regime in regimes),
    )
