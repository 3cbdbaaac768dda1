"""The chance that a pull goes wrong, its score, and what drives it."""

from dataclasses import replace
from math import exp, pi, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_histories import (
    Story,
    Visit,
    a_law,
    family_of,
    histories_of,
    laws_together,
    readings_at,
    z_of,
)
from scipy.integrate import quad

from analysis.family import FamilyFit
from analysis.outlook import Outlook, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.risk import Driver, Risk, foreseen, pull_risk, pull_risk_tails, risks, score

PLAN = CheckPlan((0.2, 0.6, 1.0), 5)
_RANDOM = np.random.default_rng(41)
LAWS = laws_together(
    a_law(knocks_per_year=0.1), a_law(rho_pct=0.8, knocks_per_year=0.3, rate_mean=(0.9, 0.1))
)
STORIES = [
    Story([Visit(d, readings_at(_RANDOM, PLAN.x, 5, c)) for d, c in ((0.0, 0.0), (200.0, 1.5))],
          wrench="A"),
    Story([Visit(90.0, readings_at(_RANDOM, (0.6,), 2, -2.0))], wrench="B"),
]  # fmt: skip
FAMILY = family_of(LAWS, histories_of(*STORIES))
DAY = 500.0


def _risk(family: FamilyFit = FAMILY, row: int = 0, **changes: Any) -> Risk:
    asked: dict[str, Any] = {
        "x": 0.3,
        "day": DAY,
        "mpd_pct": 4.0,
        "full_scale_mpd_pct": 4.0,
        "plan_mpd_pct": np.full(3, 4.0),
        "tolerated_pull_risk": 0.02,
        "reliability_target": 0.95,
    } | changes
    member, day = family.of_rows([row]), asked.pop("day")
    passing = pass_probability(outlook(member, day), PLAN, asked.pop("plan_mpd_pct")[None])
    for name in ("x", "mpd_pct", "full_scale_mpd_pct"):
        asked[name] = np.array([asked[name]])
    (found,) = risks(foreseen(member, day, passing), **asked)
    return found


def _density(view: Outlook, row: int, x: float, d: float) -> float:
    """Density of one pull's deviation: laws, knocked or not, level, check effect, scatter."""
    total, z = 0.0, z_of(x)
    for k in range(view.law.size):
        quiet = z @ view.cov[k, row] @ z
        quiet += view.law.rho_pct[k] ** 2 + (view.law.alpha_pct[k] / x) ** 2
        jump = (view.law.knock_ratio[k] * view.law.level_sd[k]) ** 2 @ z**2
        chance = view.knock_chance[k, row]
        mean = z @ view.mean[k, row]
        for weight, variance in ((1 - chance, quiet), (chance, quiet + jump)):
            total += weight * exp(-((d - mean) ** 2) / (2 * variance)) / sqrt(2 * pi * variance)
    return total / view.law.size


@pytest.mark.parametrize("x", [0.2, 0.55, 1.0])
@pytest.mark.parametrize("row", [0, 1])
def test_tails_agree_with_numerical_integration(x: float, row: int) -> None:
    """Positive deviation: the wrench delivers too little (ISO 6789 sign)."""
    view = outlook(FAMILY, DAY)
    too_little, too_much = pull_risk_tails(view, x, 3.0)
    for tail, low, high in ((too_little, 3.0, 60.0), (too_much, -60.0, -3.0)):
        expected = quad(lambda d: _density(view, row, x, d), low, high, limit=400)[0]
        assert tail[row] == pytest.approx(expected, abs=1e-7)
    np.testing.assert_allclose(pull_risk(view, x, 3.0), too_little + too_much, rtol=1e-14)


def test_limits_may_differ_between_wrenches() -> None:
    """One limit a wrench."""
    view = outlook(FAMILY, DAY)
    limits = np.array([2.0, 6.0])
    both = pull_risk(view, 0.4, limits)
    for i in range(2):
        assert both[i] == pytest.approx(pull_risk(view, 0.4, float(limits[i]))[i], rel=1e-14)


def test_simulated_pulls_go_wrong_as_often_as_foretold() -> None:
    """40,000 pulls drawn part by part; held to four binomial standard errors."""
    n, x, view = 40_000, 0.25, outlook(FAMILY, DAY)
    random = np.random.default_rng(3)
    k = random.integers(0, 2, n)
    root = np.linalg.cholesky(view.cov[:, 0])
    total = view.mean[k, 0] + (root[k] @ random.standard_normal((n, 2, 1)))[..., 0]
    knocked = random.random(n) < view.knock_chance[k, 0]
    total += knocked[:, None] * LAWS.knock_sd[k] * random.standard_normal((n, 2))
    scatter = np.hypot(LAWS.rho_pct[k], LAWS.alpha_pct[k] / x)
    d = total @ z_of(x) + scatter * random.standard_normal(n)
    for got, share in zip(
        pull_risk_tails(view, x, 3.0), ((d > 3.0).mean(), (d < -3.0).mean()), strict=True
    ):
        assert share == pytest.approx(got[0], abs=4 * np.sqrt(got[0] * (1 - got[0]) / n))


def test_score_is_fifty_at_what_the_shop_tolerates() -> None:
    """50 at the tolerated odds, 91 at ten times, 9 at a tenth, by either road."""
    tolerated, reliability = 0.02, 0.95

    def with_odds(p: float, times: float) -> float:
        odds = p / (1 - p) * times
        return odds / (1 + odds)

    for times, points in ((1.0, 50.0), (10.0, 1000 / 11), (0.1, 100 / 11)):
        by_pull = score(with_odds(tolerated, times), 1.0, tolerated, reliability)
        by_check = score(0.0, 1 - with_odds(1 - reliability, times), tolerated, reliability)
        assert by_pull == pytest.approx(points)
        assert by_check == pytest.approx(points)


@given(pull=st.floats(0.0, 1.0), more=st.floats(0.0, 1.0), passing=st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_score_stays_within_its_scale_and_rises_with_risk(
    pull: float, more: float, passing: float
) -> None:
    """0 to 100 for any probabilities, certain ones included."""
    one = float(score(pull, passing, 0.02, 0.95))
    riskier = float(score(min(1.0, pull + more), passing, 0.02, 0.95))
    surer = float(score(pull, min(1.0, passing + more), 0.02, 0.95))
    noise = 1e-9  # of the last digit
    assert 0.0 <= surer <= one + noise <= riskier + 2 * noise <= 100.0 + 3 * noise


def test_a_risk_names_its_parts() -> None:
    """Parts add up; the moments are those of a pull; the score follows from both chances."""
    answer = _risk()
    view = outlook(FAMILY.of_rows([0]), DAY)
    assert answer.pull_risk == pytest.approx(answer.low_risk + answer.high_risk, rel=1e-12)
    assert answer.pull_risk == pytest.approx(float(pull_risk(view, 0.3, 4.0)[0]), rel=1e-12)
    passing = pass_probability(view, PLAN, np.full((1, 3), 4.0))[0]
    assert answer.pass_probability == pytest.approx(passing, rel=1e-12)
    assert answer.score == pytest.approx(
        float(score(answer.pull_risk, passing, 0.02, 0.95)), rel=1e-12
    )

    def moment(power: int, about: float = 0.0) -> float:
        return float(
            quad(lambda d: (d - about) ** power * _density(view, 0, 0.3, d), -60, 60, limit=400,
                 points=[-10.0, 0.0, 1.0, 3.0, 10.0])[0]
        )  # fmt: skip

    mean = moment(1)
    assert answer.deviation_pct == pytest.approx(mean, abs=1e-7)
    assert answer.deviation_sd_pct == pytest.approx(np.sqrt(moment(2, mean)), abs=1e-6)
    assert (answer.x, answer.mpd_pct) == (0.3, 4.0)


def test_mirrored_readings_swap_too_little_and_too_much() -> None:
    """Every sign turned: the same risk from the other side."""
    law = a_law(level_mean=(0.0, 0.0), rate_mean=(0.0, 0.0))
    mirrored = [
        Story([Visit(v.day, [(x, -d) for x, d in v.readings]) for v in s.visits], wrench=s.wrench)
        for s in STORIES
    ]
    one = _risk(family_of(law, histories_of(*STORIES)))
    other = _risk(family_of(law, histories_of(*mirrored)))
    assert other.low_risk == pytest.approx(one.high_risk, rel=1e-9)
    assert other.high_risk == pytest.approx(one.low_risk, rel=1e-9)
    assert other.score == pytest.approx(one.score, rel=1e-9)
    assert other.deviation_pct == pytest.approx(-one.deviation_pct, rel=1e-9)


def _without(answer: Risk) -> dict[Driver, float]:
    return {share.driver: share.without for share in answer.drivers}


def test_drivers_are_the_risk_with_one_cause_taken_away() -> None:
    """Each recomputed by hand from what the driver says it takes away."""
    answer, view, x = _risk(), outlook(FAMILY.of_rows([0]), DAY), 0.3
    check = np.array([np.diag(sd**2) for sd in LAWS.check_sd])[:, None]
    still = replace(view, mean=np.zeros_like(view.mean))
    halved = replace(LAWS, rho_pct=LAWS.rho_pct / 2, alpha_pct=LAWS.alpha_pct / 2)
    steadier = Outlook(halved, view.mean, view.cov - check + check / 4, view.knock_chance)
    expected = {
        Driver.BIAS: pull_risk(still, x, 4.0)[0],
        Driver.SCATTER: pull_risk(steadier, x, 4.0)[0],
        Driver.AGE_OF_EVIDENCE: pull_risk(outlook(FAMILY.of_rows([0]), 200.0), x, 4.0)[0],
        Driver.THIN_EVIDENCE: pull_risk(replace(view, cov=check), x, 4.0)[0],
        Driver.POSITION_IN_RANGE: pull_risk(view, 1.0, 4.0)[0],
    }
    assert _without(answer) == pytest.approx(expected, rel=1e-9)
    order = [share.without for share in answer.drivers]
    assert order == sorted(order)


def test_position_is_judged_by_the_limit_at_full_scale() -> None:
    """A tolerance of 1 % of full scale is 5 % of reading at a fifth of it, and 1 % at the top."""
    answer = _risk(x=0.2, mpd_pct=5.0, full_scale_mpd_pct=1.0)
    view = outlook(FAMILY.of_rows([0]), DAY)
    at_the_top = pull_risk(view, 1.0, 1.0)[0]
    assert _without(answer)[Driver.POSITION_IN_RANGE] == pytest.approx(at_the_top, rel=1e-12)


@pytest.mark.parametrize(
    ("driver", "readings", "changes"),
    [
        (Driver.BIAS, [(0.2, 6.0), (0.6, 6.0), (1.0, 6.0)] * 5, {"day": 200.0}),
        (Driver.POSITION_IN_RANGE, [(0.2, 5.0), (0.6, 1.7), (1.0, 1.0)] * 5, {"x": 0.2}),
    ],
    ids=["far off everywhere", "far off at the bottom"],
)
def test_a_plain_cause_comes_first(
    driver: Driver, readings: list[tuple[float, float]], changes: dict[str, float]
) -> None:
    """A gain error drives by bias; an offset error shows at the bottom and is gone at the top."""
    story = Story([Visit(d, readings) for d in (0.0, 100.0, 200.0)])
    answer = _risk(family_of(a_law(), histories_of(story)), **changes)
    assert answer.drivers[0].driver in (driver, Driver.BIAS)
    assert _without(answer)[driver] < 0.5 * answer.pull_risk
