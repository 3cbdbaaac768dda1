"""What due dates save or risk against a fixed interval, against sums over every single day."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from invented_wrench import wrench_frame
from sample_histories import Story, Visit, a_law, deviations_frame, family_of, histories_of
from sample_histories import laws_together as together

from analysis.due import DuePolicy
from analysis.fleet import FleetFit
from analysis.outlook import last_days, outlook
from analysis.pass_curve import PassCurve
from analysis.pass_probability import pass_probability
from analysis.savings import savings_of_shop
from analysis.shop import Shop, ShopRules, planned_groups, shop_of
from analysis.vocabulary import Direction

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE
PLAN = (0.2, 0.6, 1.0)
POLICY = DuePolicy(reliability_target=0.95, cap_months=24, cap_cycles=5000, floor_days=14)
LEVELS = {"fresh": 0.0, "high": -2.0, "out": 5.0}
FAMILY = family_of(
    together(*(a_law(rate_sd=(r, 0.04), knocks_per_year=0.02) for r in (0.3, 0.6))),
    histories_of(
        *(
            Story(
                [
                    Visit(20_000.0, [(x, 0.7 * level) for x in PLAN for _ in range(5)]),
                    Visit(20_200.5 + 7 * i, [(x, level) for x in PLAN for _ in range(5)]),
                ],
                wrench=name,
            )
            for i, (name, level) in enumerate(LEVELS.items())
        )
    ),
)
NAMES = FAMILY.histories.wrenches


def a_shop(policy: DuePolicy = POLICY, *, both_ways: bool = False) -> Shop:
    """The family's wrenches; both ways: `fresh` has the history of `high` counter-clockwise."""
    families = [FAMILY]
    places = {(name, CW): (0, row) for row, name in enumerate(NAMES)}
    if both_ways:
        row = NAMES.index("high")
        other = FAMILY.of_rows([row])
        families.append(
            replace(other, direction=CCW, histories=replace(other.histories, wrenches=("fresh",)))
        )
        places["fresh", CCW] = (1, 0)
    frames = [
        wrench_frame(wrench=name, mpd_ccw_pct=4.0, mpd_ccw_of_full_scale=False) for name in NAMES
    ]
    rules = ShopRules(plan_shares=PLAN, plan_repeats=5, due=policy, tolerated_pull_risk=0.05)
    fit = FleetFit(families=tuple(families), places=places)
    return shop_of(fit, pl.concat(frames), deviations_frame([]), rules)


def test_the_days_out_are_the_sum_of_the_chances_of_every_day() -> None:
    """Day by day, in the middle of each, from the forecast itself."""
    (group,) = planned_groups(a_shop(), FAMILY)
    days = np.array([200.0, 200.0, 200.0])
    found = PassCurve.of(group, 365.0).failing_days(days)
    start = last_days(group.family)
    each = [
        1.0 - pass_probability(outlook(group.family, start + t + 0.5), group.plan, group.mpd_pct)
        for t in range(200)
    ]
    assert found == pytest.approx(np.sum(each, axis=0), rel=0.01, abs=0.02)


def test_a_fixed_interval_has_its_own_rate_and_due_dates_have_theirs() -> None:
    found = savings_of_shop(a_shop(), 365.25)
    assert found.needs_work == ("out",)
    assert [each.wrench for each in found.wrenches] == ["fresh", "high"]
    (group,) = planned_groups(a_shop(), FAMILY)
    curve = PassCurve.of(group, 800.0)
    for each in found.wrenches:
        row = NAMES.index(each.wrench)
        assert each.fixed.checks == pytest.approx(1.0)
        assert each.by_due_dates.checks == pytest.approx(365.25 / each.interval_days)
        alone = curve.of_row(row).failing_days(np.array([each.interval_days]))[0]
        assert each.by_due_dates.days_out == pytest.approx(
            365.25 / each.interval_days * alone, rel=1e-3
        )
    for regime in ("by_due_dates", "fixed"):
        parts = [getattr(each, regime) for each in found.wrenches]
        assert getattr(found, regime).checks == pytest.approx(sum(p.checks for p in parts))
        assert getattr(found, regime).days_out == pytest.approx(sum(p.days_out for p in parts))
    assert found.by_due_dates.days_out < found.fixed.days_out
    assert found.by_due_dates.checks > found.fixed.checks


def test_a_longer_interval_saves_checks_and_costs_days_out() -> None:
    found = [savings_of_shop(a_shop(), months * 30.4375).fixed for months in (1, 6, 12, 24)]
    assert (np.diff([each.checks for each in found]) < 0).all()
    assert (np.diff([each.days_out for each in found]) > 0).all()


def test_the_earlier_due_date_and_the_worse_direction_count() -> None:
    """`fresh` comes as soon as `high`, whose history it has the other way, and is out as long."""
    found = {each.wrench: each for each in savings_of_shop(a_shop(both_ways=True), 365.25).wrenches}
    assert found["fresh"].interval_days == pytest.approx(found["high"].interval_days)
    assert found["fresh"].by_due_dates.days_out == pytest.approx(
        found["high"].by_due_dates.days_out
    )
    alone = {each.wrench: each for each in savings_of_shop(a_shop(), 365.25).wrenches}
    assert alone["fresh"].interval_days > found["fresh"].interval_days


def test_a_shop_without_histories_has_nothing_to_compare() -> None:
    empty = replace(a_shop(), fit=FleetFit(families=(), places={}))
    found = savings_of_shop(empty, 365.25)
    assert (found.wrenches, found.by_due_dates.checks) == ((), 0)
