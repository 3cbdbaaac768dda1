"""Forecasts for every wrench of a shop under the shop's rules.

Joins what the fleet's fit knows with each wrench's range, tolerance and pace of use. Whole families
are solved at once; a question about one wrench takes its row.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.drift import Drift, drift
from analysis.due import Due, DuePolicy, Outlooks, due_dates, outlooks
from analysis.family import FamilyFit
from analysis.fleet import FleetFit
from analysis.outlook import last_days, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.risk import Foreseen, Risk, foreseen, pull_risk, risks
from analysis.traceability import Finding, Stretch, Trace, findings_of, stretch_of, trace
from analysis.use_pace import cycles_per_day
from analysis.use_since import UseSince, Work, use_since
from analysis.vocabulary import Direction
from analysis.wrench_range import WrenchRange, wrench_ranges


@dataclass(frozen=True, slots=True)
class ShopRules:
    """What the shop has decided.

    plan_shares, plan_repeats  targets of a check as shares of full scale, readings at each
    tolerated_pull_risk        chance of a pull outside the MPD that the shop accepts
    """

    plan_shares: tuple[float, ...]
    plan_repeats: int
    due: DuePolicy
    tolerated_pull_risk: float


@dataclass(frozen=True, slots=True)
class Shop:
    """A fitted fleet with its ranges, readings and rules; built by `shop_of`.

    pace  cycles a day by wrench, where the counts at its checks tell them
    work  on record since the last check of a wrench in a direction; none where it is left out
    """

    fit: FleetFit
    ranges: Mapping[str, WrenchRange]
    deviations: pl.DataFrame
    pace: Mapping[str, float]
    rules: ShopRules
    work: Mapping[tuple[str, Direction], Work] = field(default_factory=dict)


def shop_of(
    fit: FleetFit,
    wrenches: pl.DataFrame,
    deviations: pl.DataFrame,
    rules: ShopRules,
    work: Mapping[tuple[str, Direction], Work] | None = None,
) -> Shop:
    """A shop from its fit and the frames the fit was made of."""
    return Shop(
        fit, wrench_ranges(wrenches), deviations, cycles_per_day(deviations), rules, work or {}
    )


def due_of_shop(shop: Shop, as_of_day: float) -> dict[tuple[str, Direction], Due]:
    """Due date of every wrench and direction that has a stated tolerance and a reading."""
    answer: dict[tuple[str, Direction], Due] = {}
    for family in shop.fit.families:
        for group in planned_groups(shop, family):
            answer.update(_due_of_group(shop, group, _outlooks(shop, group, as_of_day)))
    return answer


def due_of_wrench(
    shop: Shop,
    wrench: str,
    direction: Direction,
    as_of_day: float,
    seen: Outlooks | None = None,
) -> Due:
    """Due date of one wrench in one direction.

    seen  `outlooks_of_wrench` under the same rules on the same day, whatever work was recorded
          since; None: worked out here

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading.
    """
    group = planned_wrench(shop, wrench, direction)
    found = seen or _outlooks(shop, group, as_of_day)
    return _due_of_group(shop, group, found)[wrench, direction]


def outlooks_of_wrench(shop: Shop, wrench: str, direction: Direction, as_of_day: float) -> Outlooks:
    """What `due_of_wrench` rests on and recorded work does not change; raises as it does."""
    return _outlooks(shop, planned_wrench(shop, wrench, direction), as_of_day)


@dataclass(frozen=True, slots=True)
class PlannedGroup:
    """Members of one family that are checked at the same shares of full scale.

    mpd_pct  (N, J) limits at the plan's targets
    uses     N uses since the last check
    """

    family: FamilyFit
    plan: CheckPlan
    mpd_pct: Array
    uses: tuple[UseSince, ...]


def planned_groups(shop: Shop, family: FamilyFit) -> Iterator[PlannedGroup]:
    """The members of a family that have a stated tolerance in its direction, by equal plans."""
    direction = family.direction
    groups: dict[tuple[float, ...], list[int]] = {}
    for row, wrench in enumerate(family.histories.wrenches):
        if direction in shop.ranges[wrench].tolerances:
            plan = shop.ranges[wrench].plan(shop.rules.plan_shares, shop.rules.plan_repeats)
            groups.setdefault(plan.x, []).append(row)
    for x, rows in groups.items():
        group = family.of_rows(rows)
        names = group.histories.wrenches
        yield PlannedGroup(
            family=group,
            plan=shop.ranges[names[0]].plan(shop.rules.plan_shares, shop.rules.plan_repeats),
            mpd_pct=np.stack(
                [shop.ranges[name].mpd_pct(direction, np.asarray(x)) for name in names]
            ),
            uses=tuple(
                use_since(
                    shop.work.get((name, direction)) or Work.unrecorded(float(checked)),
                    shop.pace.get(name),
                )
                for name, checked in zip(names, last_days(group), strict=True)
            ),
        )


def planned_wrench(shop: Shop, wrench: str, direction: Direction) -> PlannedGroup:
    """One wrench in one direction; raises as `due_of_wrench` does."""
    shop.ranges[wrench].mpd_pct(direction, 1.0)
    family, row = shop.fit.place(wrench, direction)
    (group,) = planned_groups(shop, family.of_rows([row]))
    return group


def _outlooks(shop: Shop, group: PlannedGroup, as_of_day: float) -> Outlooks:
    return outlooks(group.family, group.plan, group.mpd_pct, shop.rules.due, as_of_day)


def _due_of_group(
    shop: Shop, group: PlannedGroup, seen: Outlooks
) -> dict[tuple[str, Direction], Due]:
    found = due_dates(group.family, group.plan, group.mpd_pct, shop.rules.due, group.uses, seen)
    names = group.family.histories.wrenches
    return {(name, group.family.direction): due for name, due in zip(names, found, strict=True)}


def foreseen_of_wrench(
    shop: Shop, wrench: str, direction: Direction, day: float, passing: float | None = None
) -> Foreseen:
    """One wrench on a day, whatever the pull.

    passing  pass probability of a whole check on that day; None: worked out here

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading.
    """
    group = planned_wrench(shop, wrench, direction)
    if passing is None:
        chances = pass_probability(outlook(group.family, day), group.plan, group.mpd_pct)
    else:
        chances = np.array([passing])
    return foreseen(group.family, day, chances)


def risk_of_pull(
    shop: Shop, wrench: str, direction: Direction, torque_nm: float, seen: Foreseen
) -> Risk:
    """Risk of a pull of one wrench.

    seen  `foreseen_of_wrench`

    Raises OutsideRange for a torque beyond the marked range or a direction without tolerance.
    """
    marked = shop.ranges[wrench]
    x = marked.share(torque_nm)
    (found,) = risks(
        seen,
        x=np.array([x]),
        mpd_pct=np.array([marked.mpd_pct(direction, x)]),
        full_scale_mpd_pct=np.array([marked.mpd_pct(direction, 1.0)]),
        tolerated_pull_risk=shop.rules.tolerated_pull_risk,
        reliability_target=shop.rules.due.reliability_target,
    )
    return found


def worst_risk(shop: Shop, wrench: str, direction: Direction, seen: Foreseen) -> Risk:
    """Risk at the plan's target where a pull is riskiest: the wrench's own risk, no fastener named.

    seen  as in `risk_of_pull`; raises as it does
    """
    marked = shop.ranges[wrench]
    x = np.asarray(marked.plan(shop.rules.plan_shares, shop.rules.plan_repeats).x)
    tried = pull_risk(seen.now.repeated(len(x)), x, marked.mpd_pct(direction, x))
    worst = float(x[np.argmax(tried)])
    return risk_of_pull(shop, wrench, direction, worst * marked.full_scale_nm, seen)


def drift_of_wrench(shop: Shop, wrench: str, direction: Direction, day: float) -> Drift:
    """Drift of one wrench at its plan's targets and at every target it was ever checked at.

    Raises NotEnoughEvidence without a reading in that direction.
    """
    family, row = shop.fit.place(wrench, direction)
    own = shop.deviations.filter(
        (pl.col("wrench") == wrench) & (pl.col("direction") == direction.value)
    )
    planned = shop.ranges[wrench].plan(shop.rules.plan_shares, shop.rules.plan_repeats).x
    # Targets that differ only by a unit's rounding are one place.
    places = sorted({round(x, 6) for x in (*planned, *own["x"].unique().to_list())})
    return drift(family, row, own, tuple(places), day)


def findings_of_wrench(shop: Shop, wrench: str, direction: Direction) -> tuple[Finding, ...]:
    """What the checks of one wrench found, in order.

    Raises NotEnoughEvidence without a reading in that direction.
    """
    family, row = shop.fit.place(wrench, direction)
    own = shop.deviations.filter(
        (pl.col("wrench") == wrench) & (pl.col("direction") == direction.value)
    )
    return findings_of(own, family.histories.take([row]))


def stretch_of_wrench(
    shop: Shop,
    wrench: str,
    direction: Direction,
    day: float,
    check: str | None = None,
    *,
    until_now: bool = False,
) -> Stretch:
    """The stretch in which work of one wrench is suspect; arguments as `stretch_of` has them.

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading or
    without a check before the one that found it outside.
    """
    shop.ranges[wrench].mpd_pct(direction, 1.0)
    findings = findings_of_wrench(shop, wrench, direction)
    family, row = shop.fit.place(wrench, direction)
    return stretch_of(findings, family.histories.take([row]), day, check, until_now=until_now)


def trace_of_wrench(
    shop: Shop, wrench: str, direction: Direction, stretch: Stretch, pulls: pl.DataFrame
) -> Trace:
    """The trace of a wrench's pulls over a stretch that `stretch_of_wrench` gave.

    pulls  frame of `analysis.evidence.PULLS`

    Crossings at the plan's targets and at those of the check that found it outside.
    """
    family, row = shop.fit.place(wrench, direction)
    marked = shop.ranges[wrench]
    planned = marked.plan(shop.rules.plan_shares, shop.rules.plan_repeats).x
    found_out = [stretch.found_out] if stretch.found_out else []
    met = shop.deviations.filter(pl.col("check").is_in(found_out))["x"].unique().to_list()
    # Targets that differ only by a unit's rounding are one place.
    places = sorted({round(x, 6) for x in (*planned, *met)})
    return trace(family, row, marked, places, stretch, pulls)
