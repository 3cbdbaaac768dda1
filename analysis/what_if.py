"""What another reliability target would cost and bring: intervals, checks a year, failing checks.

The pass probability of every wrench is worked out once, on days a month apart up to the policy's
cap in months (`analysis.pass_curve`); every target is then read off it.

An interval runs from a wrench's last check to its due date under the policy, caps and floor
included. Checks a year are as if each interval to come were like this one: after a check more is
known and the next may be longer, after an adjustment the wrench stands elsewhere. A wrench that was
below even the lowest target on the day of its last check needs work, not an interval: the sums over
the shop leave it out under every target, so that they can be compared.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.due import Bound, months_caps, policy_caps
from analysis.error_law import DAYS_PER_YEAR
from analysis.outlook import last_days
from analysis.pass_curve import PassCurve
from analysis.shop import PlannedGroup, Shop, planned_groups, planned_wrench
from analysis.vocabulary import Direction

TARGETS: Final = (0.80, 0.90, 0.95, 0.98)
_SHORTEST_DAYS: Final = 1.0  # a wrench out already, and no floor: a check a day, not endlessly many


@dataclass(frozen=True, slots=True)
class TargetOutcome:
    """One wrench in one direction under one reliability target.

    interval_days     from the last check to the due date
    bound_by          what sets it
    reliability_days  after the last check until the target is crossed; 0: below it on that very
                      day; None: not before the cap in months
    checks_per_year   at that interval
    share_failing     chance that the check on the due date finds a reading outside the MPD
    """

    target: float
    interval_days: float
    bound_by: Bound
    reliability_days: float | None
    checks_per_year: float
    share_failing: float


@dataclass(frozen=True, slots=True)
class ShopOutcome:
    """All wrenches and directions under one reliability target.

    histories            wrenches with evidence, each direction counted
    left_out             how many of them need work first: below the lowest target at their last
                         check, and in none of the numbers that follow
    due_at_once          how many were below this target at their last check: they come back as
                         soon as the policy's floor lets them, unless they are adjusted
    checks_per_year      of all but those left out
    failing_per_year     how many of these checks are expected to fail
    share_failing        failing_per_year / checks_per_year
    bound_by_reliability how many intervals the target sets; the policy sets the others
    """

    target: float
    histories: int
    left_out: int
    due_at_once: int
    checks_per_year: float
    failing_per_year: float
    share_failing: float
    bound_by_reliability: int


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Outcomes in the order of the targets: of the shop, and of each wrench and direction."""

    shop: tuple[ShopOutcome, ...]
    wrenches: Mapping[tuple[str, Direction], tuple[TargetOutcome, ...]]


def what_if_of_shop(shop: Shop, targets: Sequence[float] = TARGETS) -> WhatIf:
    """Every wrench and direction that has a stated tolerance and a reading.

    targets  reliability targets in (0, 1), at least one
    """
    wrenches: dict[tuple[str, Direction], tuple[TargetOutcome, ...]] = {}
    for family in shop.fit.families:
        for group in planned_groups(shop, family):
            names = group.family.histories.wrenches
            found = _outcomes(group, _curve(group, shop), shop, targets)
            wrenches.update(
                {(name, family.direction): each for name, each in zip(names, found, strict=True)}
            )
    lowest = targets.index(min(targets))
    running = [each for each in wrenches.values() if each[lowest].reliability_days != 0.0]
    return WhatIf(
        shop=tuple(
            _summed(target, [each[i] for each in running], len(wrenches))
            for i, target in enumerate(targets)
        ),
        wrenches=wrenches,
    )


def what_if_of_wrench(
    shop: Shop,
    wrench: str,
    direction: Direction,
    targets: Sequence[float] = TARGETS,
    curve: PassCurve | None = None,
) -> tuple[TargetOutcome, ...]:
    """One wrench in one direction, in the order of the targets.

    curve  `curve_of_wrench` under the same rules, whatever work was recorded since; None: worked
           out here

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading.
    """
    group = planned_wrench(shop, wrench, direction)
    return _outcomes(group, curve or _curve(group, shop), shop, targets)[0]


def curve_of_wrench(shop: Shop, wrench: str, direction: Direction) -> PassCurve:
    """What `what_if_of_wrench` rests on and recorded work does not change; raises as it does."""
    return _curve(planned_wrench(shop, wrench, direction), shop)


def _curve(group: PlannedGroup, shop: Shop) -> PassCurve:
    start = last_days(group.family)
    return PassCurve.of(group, float((months_caps(start, shop.rules.due) - start).max()))


def _outcomes(
    group: PlannedGroup, curve: PassCurve, shop: Shop, targets: Sequence[float]
) -> list[tuple[TargetOutcome, ...]]:
    """For each member of a group, its outcome under each target."""
    start = last_days(group.family)
    caps = policy_caps(start, shop.rules.due, group.uses)
    by_target = []
    for target in targets:
        days = curve.first_crossing(target)
        days = np.where(start + days <= caps.months_day, days, np.inf)
        due_day, bound_by = caps.bounded(start + days)
        interval = due_day - start
        checks = DAYS_PER_YEAR / np.maximum(interval, _SHORTEST_DAYS)
        failing = 1.0 - curve.at(interval)
        by_target.append(
            [
                TargetOutcome(
                    target=target,
                    interval_days=float(interval[i]),
                    bound_by=bound_by[i],
                    reliability_days=float(days[i]) if np.isfinite(days[i]) else None,
                    checks_per_year=float(checks[i]),
                    share_failing=float(failing[i]),
                )
                for i in range(start.size)
            ]
        )
    return list(zip(*by_target, strict=True))


def _summed(target: float, running: Sequence[TargetOutcome], histories: int) -> ShopOutcome:
    checks = sum(each.checks_per_year for each in running)
    failing = sum(each.checks_per_year * each.share_failing for each in running)
    return ShopOutcome(
        target=target,
        histories=histories,
        left_out=histories - len(running),
        due_at_once=sum(each.reliability_days == 0.0 for each in running),
        checks_per_year=checks,
        failing_per_year=failing,
        share_failing=failing / checks if checks else 0.0,
        bound_by_reliability=sum(each.bound_by is Bound.RELIABILITY for each in running),
    )
