"""A shop's wrenches on one day, in arrays: the same numbers and verdicts as one by one."""

from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest
from invented_wrench import wrench_frame
from sample_histories import Story, Visit, a_law, deviations_frame, family_of, histories_of
from sample_histories import laws_together as together

from analysis.due import DuePolicy
from analysis.fitness import Fitness, Limits, PullFacts, reasons_for, verdict_of, verdicts
from analysis.fleet import FleetFit
from analysis.pull_matrix import PullOdds, odds_of
from analysis.risk import Risk
from analysis.shop import (
    Shop,
    ShopRules,
    due_of_wrench,
    foreseen_of_wrench,
    risk_of_pull,
    shop_of,
    worst_risk,
)
from analysis.shop_day import Pulls, shop_day
from analysis.standing import Standing
from analysis.tails import Tails
from analysis.vocabulary import Direction, Mechanism

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE
LEVELS = {"fresh": 0.0, "high": -2.2, "low": 1.4}
PLAN = (0.2, 0.6, 1.0)
ODDS = ("pull_risk", "low_risk", "high_risk", "pass_probability", "mpd_pct", "x")
FLAGS = ("found_out", "card_only", "spring", "defaults")


@pytest.fixture(scope="module")
def shop() -> Shop:
    """A family with knocks, strays and tails; `low` begins at 30 N·m; `silent` was never read."""
    laws = (a_law(rate_sd=(r, 0.04), knocks_per_year=0.1, stray_share=0.02) for r in (0.3, 0.6))
    stories = (
        Story(
            [
                Visit(20_000.0, [(x, 0.7 * level) for x in PLAN for _ in range(5)]),
                Visit(20_200.5 + 7 * i, [(x, level) for x in PLAN for _ in range(5)]),
            ],
            wrench=name,
        )
        for i, (name, level) in enumerate(LEVELS.items())
    )
    family = family_of(together(*laws), histories_of(*stories), tails=Tails(0.05, 3.0))
    frames = [
        wrench_frame(wrench=name, lowest_nm=30.0 if name == "low" else 10.0)
        for name in (*LEVELS, "silent")
    ]
    places = {(name, CW): (0, row) for row, name in enumerate(family.histories.wrenches)}
    rules = ShopRules(
        plan_shares=PLAN,
        plan_repeats=5,
        due=DuePolicy(reliability_target=0.95, cap_months=12, cap_cycles=5000, floor_days=0),
        tolerated_pull_risk=0.02,
    )
    return shop_of(
        FleetFit(families=(family,), places=places), pl.concat(frames), deviations_frame([]), rules
    )


def numbers_of(pulls: Pulls, place: int) -> dict[str, float]:
    odds = odds_of(pulls, place)
    return {
        **{name: getattr(odds, name) for name in ODDS},
        "deviation_pct": float(pulls.numbers.deviation_pct[place]),
        "deviation_sd_pct": float(pulls.numbers.deviation_sd_pct[place]),
    }


@pytest.mark.parametrize("day", [20_250.0, 20_600.0])
@pytest.mark.parametrize("torque_nm", [10.0, 33.0, 100.0])
def test_every_wrench_gets_what_it_gets_alone(shop: Shop, torque_nm: float, day: float) -> None:
    that_day = shop_day(shop, day)
    pulls = that_day.pulls_at(torque_nm, CW)
    names = [that_day.members[member][0] for member in pulls.member]
    assert names == ["fresh", "high", *(["low"] if torque_nm >= 30.0 else [])]
    for place, name in enumerate(names):
        alone = risk_of_pull(shop, name, CW, torque_nm, foreseen_of_wrench(shop, name, CW, day))
        for number, value in numbers_of(pulls, place).items():
            assert value == pytest.approx(getattr(alone, number), rel=1e-9, abs=1e-15)


def test_nothing_the_other_way_without_a_tolerance(shop: Shop) -> None:
    assert not len(shop_day(shop, 20_250.0).pulls_at(50.0, CCW).member)


def test_the_riskiest_target_is_the_one_that_each_has_alone(shop: Shop) -> None:
    that_day = shop_day(shop, 20_600.0)
    pulls = that_day.riskiest()
    risks = that_day.risks(pulls, 0.02)
    scores = that_day.scores(pulls, 0.02)
    for place, (name, way) in enumerate(that_day.members):
        alone = worst_risk(shop, name, way, foreseen_of_wrench(shop, name, way, 20_600.0))
        assert float(scores[place]) == pytest.approx(alone.score, rel=1e-9)
        for each in fields(Risk):
            if each.name != "drivers":
                value = getattr(risks[place], each.name)
                assert value == pytest.approx(getattr(alone, each.name), rel=1e-9, abs=1e-15)
        assert [share.driver for share in risks[place].drivers] == [
            share.driver for share in alone.drivers
        ]
        for mine, its in zip(risks[place].drivers, alone.drivers, strict=True):
            assert mine.without == pytest.approx(its.without, rel=1e-9, abs=1e-15)


def test_pass_probabilities_may_be_handed_in(shop: Shop) -> None:
    found = shop_day(shop, 20_600.0)
    given = shop_day(shop, 20_600.0, dict(zip(found.members, found.passing, strict=True)))
    np.testing.assert_array_equal(given.passing, found.passing)


def test_verdicts_in_arrays_are_those_of_the_reasons(shop: Shop) -> None:
    """Every rule is met by one wrench and not by another."""
    random = np.random.default_rng(7)
    count = 400
    limits = Limits(0.02, 0.10, 0.95, 0.2)
    facts = PullFacts(
        pull_risk=random.choice([0.001, 0.02, 0.05, 0.10, 0.2], count),
        pass_probability=random.choice([0.9, 0.95, 0.99], count),
        x=random.choice([0.1, 0.2, 0.9], count),
        day=100.0,
        due_day=random.choice([50.0, 100.0, 150.0], count, p=[0.2, 0.2, 0.6]),
        **{name: random.random(count) < 0.15 for name in FLAGS},
    )
    found = verdicts(facts, limits)
    due = due_of_wrench(shop, "fresh", CW, 20_250.0)
    for i in range(count):
        odds = PullOdds(
            pull_risk=facts.pull_risk[i],
            low_risk=0.0,
            high_risk=facts.pull_risk[i],
            pass_probability=facts.pass_probability[i],
            mpd_pct=4.0,
            x=facts.x[i],
        )
        reasons = reasons_for(
            odds,
            replace(due, due_day=facts.due_day[i]),
            Standing("C-1" if facts.found_out[i] else None, card_only=bool(facts.card_only[i])),
            "defaults" if facts.defaults[i] else "family",
            Mechanism.SPRING if facts.spring[i] else Mechanism.BEAM,
            limits,
            facts.day,
        )
        assert list(Fitness)[found[i]] is verdict_of(reasons)
    assert set(found) == {0, 1, 2}
