"""What other reliability targets would cost and bring."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from invented_wrench import wrench_frame
from sample_histories import Story, Visit, a_law, deviations_frame, family_of, histories_of
from sample_histories import laws_together as together

from analysis.due import Bound, DuePolicy, due_dates, first_crossings, outlooks
from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.fleet import FleetFit
from analysis.outlook import last_days
from analysis.pass_probability import CheckPlan
from analysis.shop import Shop, ShopRules, shop_of
from analysis.use_since import Work, use_since
from analysis.vocabulary import Direction
from analysis.what_if import TARGETS, what_if_of_shop, what_if_of_wrench

CW = Direction.CLOCKWISE
PLAN = CheckPlan((0.2, 0.6, 1.0), 5)
POLICY = DuePolicy(reliability_target=0.95, cap_months=24, cap_cycles=5000, floor_days=0)
STARTS = {"fresh": 0.0, "low": 1.4, "high": -2.2, "out": 5.0}
FAMILY = family_of(
    together(*(a_law(rate_sd=(r, 0.04), knocks_per_year=0.02) for r in (0.3, 0.6))),
    histories_of(
        *(
            Story(
                [
                    Visit(20_000.0, [(x, 0.7 * level) for x in PLAN.x for _ in range(5)]),
                    Visit(20_200.5 + 7 * i, [(x, level) for x in PLAN.x for _ in range(5)]),
                ],
                wrench=name,
            )
            for i, (name, level) in enumerate(STARTS.items())
        )
    ),
)
NAMES = FAMILY.histories.wrenches


def a_shop(policy: DuePolicy = POLICY, pace: dict[str, float] | None = None) -> Shop:
    """The family's wrenches; one of them begins at 30 N·m, and so is checked by another plan."""
    frames = [
        wrench_frame(wrench=name, lowest_nm=30.0 if name == "low" else 10.0) for name in NAMES
    ]
    fit = FleetFit(
        families=(FAMILY,), places={(name, CW): (0, row) for row, name in enumerate(NAMES)}
    )
    rules = ShopRules(plan_shares=PLAN.x, plan_repeats=5, due=policy, tolerated_pull_risk=0.05)
    shop = shop_of(fit, pl.concat(frames), deviations_frame([]), rules)
    return replace(shop, pace=pace or {})


@pytest.mark.parametrize("target", TARGETS)
def test_intervals_agree_with_the_due_dates(target: float) -> None:
    """Read off a monthly grid: within two days of the bisection, and the failing share with it."""
    row = [NAMES.index("fresh"), NAMES.index("high"), NAMES.index("out")]
    group, mpd = FAMILY.of_rows(row), np.full((3, 3), 4.0)
    policy = replace(POLICY, reliability_target=target)
    uses = [use_since(Work.unrecorded(float(day)), None) for day in last_days(group)]
    seen = outlooks(group, PLAN, mpd, policy, 20_500.0)
    dues = due_dates(group, PLAN, mpd, policy, uses, seen)
    found = what_if_of_shop(a_shop(), (target,)).wrenches
    for name, due in zip(group.histories.wrenches, dues, strict=True):
        (outcome,) = found[name, CW]
        assert outcome.bound_by is due.bound_by
        assert outcome.interval_days == pytest.approx(due.due_day - due.last_check_day, abs=2.0)
        assert outcome.share_failing == pytest.approx(1 - due.pass_probability_at_due, abs=0.004)


def test_the_crossing_is_that_of_the_plan_of_each_wrench() -> None:
    """The wrench that begins at 30 N·m is checked there, not at 20 N·m."""
    row = NAMES.index("low")
    group = FAMILY.of_rows([row])
    plan = CheckPlan((0.3, 0.6, 1.0), 5)
    crossing, _ = first_crossings(group, plan, np.full((1, 3), 4.0), 0.9, np.array([730.0]))
    (outcome,) = what_if_of_wrench(a_shop(), "low", CW, (0.9,))
    assert outcome.reliability_days == pytest.approx(crossing[0] - last_days(group)[0], abs=2.0)


def test_a_higher_target_never_means_fewer_checks_or_more_failing_ones() -> None:
    found = what_if_of_shop(a_shop())
    for outcomes in found.wrenches.values():
        assert [each.target for each in outcomes] == list(TARGETS)
        assert (np.diff([each.interval_days for each in outcomes]) <= 1e-9).all()
        assert (np.diff([each.share_failing for each in outcomes]) <= 1e-9).all()
    assert (np.diff([each.checks_per_year for each in found.shop]) >= -1e-9).all()
    strict, loose = found.shop[-1], found.shop[0]
    assert strict.checks_per_year > loose.checks_per_year


def test_where_the_target_sets_the_interval_as_many_fail_as_it_allows() -> None:
    found = what_if_of_shop(a_shop()).wrenches
    bound = [
        each
        for outcomes in found.values()
        for each in outcomes
        if each.bound_by is Bound.RELIABILITY and each.interval_days > 0
    ]
    assert len(bound) >= 4
    for each in bound:
        assert each.share_failing == pytest.approx(1 - each.target, abs=1e-9)


def test_a_wrench_that_is_out_is_due_at_once_but_not_endlessly_often() -> None:
    (outcome,) = what_if_of_wrench(a_shop(), "out", CW, (0.9,))
    assert outcome.interval_days == 0.0
    assert outcome.checks_per_year == pytest.approx(365.25)
    assert outcome.share_failing > 0.5


def test_the_policy_bounds_what_the_target_would_allow() -> None:
    """A floor of 30 days, a cap of 3 months, and 5,000 cycles in 50 days."""
    short = a_shop(replace(POLICY, cap_months=3, floor_days=30), pace={"high": 100.0})
    found = what_if_of_shop(short, (0.5,)).wrenches
    assert found["fresh", CW][0].bound_by is Bound.MONTHS
    assert found["fresh", CW][0].reliability_days is None
    assert found["high", CW][0].bound_by is Bound.CYCLES
    assert found["high", CW][0].interval_days == pytest.approx(50.0)
    assert found["out", CW][0].bound_by is Bound.FLOOR
    assert found["out", CW][0].interval_days == pytest.approx(30.0)


def test_the_shop_is_the_sum_of_its_wrenches_that_run() -> None:
    """The wrench that is out is counted, not summed, under every target alike."""
    found = what_if_of_shop(a_shop(replace(POLICY, floor_days=14)))
    running = [name for name in NAMES if name != "out"]
    for i, whole in enumerate(found.shop):
        parts = [found.wrenches[name, CW][i] for name in running]
        assert (whole.histories, whole.left_out) == (4, 1)
        assert whole.due_at_once == sum(each.reliability_days == 0.0 for each in parts)
        rates = [365.25 / each.interval_days for each in parts]
        assert whole.checks_per_year == pytest.approx(sum(rates))
        failing = sum(rate * each.share_failing for rate, each in zip(rates, parts, strict=True))
        assert whole.failing_per_year == pytest.approx(failing)
        assert whole.share_failing == pytest.approx(failing / sum(rates))
        assert whole.bound_by_reliability == sum(p.bound_by is Bound.RELIABILITY for p in parts)
    assert found.shop[0].due_at_once < found.shop[-1].due_at_once


def test_one_wrench_alone_gets_what_it_gets_in_the_shop() -> None:
    shop = a_shop()
    all_of_them = what_if_of_shop(shop).wrenches
    for name in NAMES:
        alone = what_if_of_wrench(shop, name, CW)
        for one, other in zip(alone, all_of_them[name, CW], strict=True):
            assert one.interval_days == pytest.approx(other.interval_days, abs=1e-6)
            assert one.share_failing == pytest.approx(other.share_failing, abs=1e-9)


def test_no_tolerance_or_no_reading_no_answer() -> None:
    with pytest.raises(OutsideRange, match="no stated tolerance"):
        what_if_of_wrench(a_shop(), "fresh", Direction.COUNTER_CLOCKWISE)
    shop = a_shop()
    empty = replace(shop, fit=FleetFit(families=(), places={}))
    with pytest.raises(NotEnoughEvidence, match="no clockwise reading"):
        what_if_of_wrench(empty, "fresh", CW)
    assert what_if_of_shop(empty).shop[0].checks_per_year == 0.0
