"""Many pulls against many wrenches: the same numbers as one by one, and why there are none."""

import polars as pl
import pytest
from invented_wrench import wrench_frame
from sample_histories import Story, Visit, a_law, deviations_frame, family_of, histories_of
from sample_histories import laws_together as together

from analysis.due import DuePolicy
from analysis.fleet import FleetFit
from analysis.pull_matrix import NoRisk, Pull, PullOdds, odds_of_pulls
from analysis.shop import Shop, ShopRules, risk_of_pull, shop_of
from analysis.tails import Tails
from analysis.vocabulary import Direction

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE
LEVELS = {"fresh": 0.0, "high": -2.2, "low": 1.4}
PLAN = (0.2, 0.6, 1.0)


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


PULLS = [Pull(torque, CW, day) for torque in (10.0, 33.0, 100.0) for day in (20_250.0, 20_600.0)]


def test_every_pair_gets_what_it_gets_alone(shop: Shop) -> None:
    found = odds_of_pulls(shop, PULLS, list(LEVELS))
    judged = 0
    for (place, wrench), odds in found.items():
        pull = PULLS[place]
        if not isinstance(odds, PullOdds):
            assert (odds, wrench, pull.torque_nm) == (NoRisk.OUT_OF_RANGE, "low", 10.0)
            continue
        alone = risk_of_pull(shop, wrench, CW, pull.torque_nm, pull.day)
        for name in ("pull_risk", "low_risk", "high_risk", "pass_probability", "mpd_pct", "x"):
            assert getattr(odds, name) == pytest.approx(getattr(alone, name), rel=1e-9, abs=1e-15)
        judged += 1
    assert judged == 16


def test_what_has_no_risk_says_why(shop: Shop) -> None:
    pulls = [Pull(50.0, CW, 20_250.0), Pull(50.0, CCW, 20_250.0), Pull(101.0, CCW, 20_250.0)]
    found = odds_of_pulls(shop, pulls, ["fresh", "silent"])
    assert found[0, "silent"] is NoRisk.NO_EVIDENCE
    assert found[1, "fresh"] is NoRisk.NO_TOLERANCE
    assert found[2, "fresh"] is NoRisk.OUT_OF_RANGE
