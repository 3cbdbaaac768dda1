"""Intervals from verdicts alone."""

import math

import numpy as np
import pytest
from scipy.special import chdtri
from scipy.stats import binom

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.pass_fail import PassFail, binomial_limits
from analysis.reliability_fit import IntervalBound, ReliabilityFit, interval_at_reliability
from analysis.reliability_model import (
    ReliabilityModel,
    log_reliability,
    parameters_at,
    random_walk,
    reliability,
    scaled_interval,
    weibull,
)

TARGET = 0.9


def renewed_each_time(ages: Array, passed: Array) -> PassFail:
    return PassFail(np.zeros(ages.size), ages, passed.astype(bool))


def drawn(random: np.random.Generator, n: int, shape: float, scale: float = 900.0) -> PassFail:
    """Verdicts at scattered ages of wrenches with Weibull lives."""
    ages = random.uniform(60.0, 700.0, n)
    return renewed_each_time(ages, scale * random.weibull(shape, n) > ages)


def fitted(verdicts: PassFail, target: float = TARGET) -> ReliabilityFit:
    found = interval_at_reliability(verdicts, target)
    assert isinstance(found, ReliabilityFit)
    return found


def bounded(verdicts: PassFail, target: float = TARGET) -> IntervalBound:
    found = interval_at_reliability(verdicts, target)
    assert isinstance(found, IntervalBound)
    return found


@pytest.mark.parametrize(
    ("model", "shape"),
    [
        (ReliabilityModel.EXPONENTIAL, 0.0),
        (ReliabilityModel.WEIBULL, 1.7),
        (ReliabilityModel.RANDOM_WALK, 0.3),
        (ReliabilityModel.RANDOM_WALK, 0.0),
    ],
)
def test_both_forms_of_a_model_agree_and_cross_the_target(
    model: ReliabilityModel, shape: float
) -> None:
    times = np.array([50.0, 200.0, 800.0])
    parameters = parameters_at(model, 200.0, shape, TARGET)
    by_crossing = np.exp(log_reliability(model, times, 200.0, shape, TARGET))
    assert by_crossing[1] == pytest.approx(TARGET, rel=1e-12)
    assert by_crossing == pytest.approx(reliability(model, times, parameters), rel=1e-12)
    assert (np.diff(by_crossing) < 0).all()


def test_a_single_age_gives_the_scaled_interval() -> None:
    """90 of 100 in at 365 days; the interval is that of the binomial likelihood, carried over."""
    found = fitted(renewed_each_time(np.full(100, 365.0), np.arange(100) < 90), 0.95)
    assert found.chosen.model is ReliabilityModel.EXPONENTIAL
    assert found.others == ()
    assert found.chosen.interval_days == pytest.approx(scaled_interval(365.0, 0.9, 0.95), rel=1e-5)
    assert found.extrapolated
    for end in (found.low_days, found.high_days):
        assert end is not None
        share = 0.95 ** (365.0 / end)
        drop = binom.logpmf(90, 100, 0.9) - binom.logpmf(90, 100, share)
        assert drop == pytest.approx(chdtri(1, 0.05) / 2, rel=1e-3)


def test_the_weibull_fit_is_that_of_general_software() -> None:
    """A binomial regression of out on ln(age) with complementary log-log link is the same model."""
    from statsmodels.api import GLM, families

    verdicts = drawn(np.random.default_rng(12), 200, 2.5)
    found = fitted(verdicts)
    fit = next(f for f in (found.chosen, *found.others) if f.model is ReliabilityModel.WEIBULL)
    design = np.stack([np.ones(verdicts.size), np.log(verdicts.checked)], axis=1)
    link = families.links.CLogLog()
    glm = GLM((~verdicts.passed).astype(float), design, families.Binomial(link)).fit(tol=1e-12)
    shape = glm.params[1]
    assert fit.log_likelihood == pytest.approx(glm.llf, abs=1e-6)
    assert fit.parameters["shape"] == pytest.approx(shape, rel=2e-3)
    assert fit.parameters["rate"] == pytest.approx(math.exp(glm.params[0] / shape), rel=2e-3)


def test_the_random_walk_fit_is_the_best_on_a_fine_grid() -> None:
    random = np.random.default_rng(4)
    ages = random.uniform(30.0, 900.0, 150)
    verdicts = renewed_each_time(ages, random.random(150) < random_walk(ages, 0.25, 0.002))
    found = fitted(verdicts)
    fit = next(f for f in (found.chosen, *found.others) if f.model is ReliabilityModel.RANDOM_WALK)
    start, growth = np.meshgrid(np.linspace(0.0, 1.0, 201), np.linspace(1e-4, 0.02, 400))
    share = random_walk(ages, start[..., None], growth[..., None])
    heights = np.log(np.maximum(np.where(verdicts.passed, share, 1 - share), 1e-300)).sum(-1)
    assert fit.log_likelihood >= heights.max() - 1e-6
    assert fit.log_likelihood == pytest.approx(heights.max(), abs=2e-3)


def test_wear_is_told_from_a_constant_rate() -> None:
    """400 wrenches that wear: the Weibull model wins, with an exponent near the true 3."""
    found = fitted(drawn(np.random.default_rng(3), 400, 3.0, scale=500.0))
    assert found.chosen.model is ReliabilityModel.WEIBULL
    assert 2.2 < found.chosen.parameters["shape"] < 4.0
    assert min(other.aic for other in found.others) > found.chosen.aic + 10
    assert not found.extrapolated


def test_checks_of_a_wrench_left_alone_are_not_counted_from_the_renewal_each() -> None:
    """Under a constant rate only the time since it was last seen in matters.

    Each life is looked at every 100 days until it is out; counting each verdict from the renewal
    would take the survivors for new wrenches and find too long an interval.
    """
    random = np.random.default_rng(5)
    known_in, checked, passed = [], [], []
    for life in random.exponential(500.0, 80):
        for look in range(1, 11):
            known_in.append(100.0 * (look - 1))
            checked.append(100.0 * look)
            passed.append(life > 100.0 * look)
            if not passed[-1]:
                break
    told = PassFail(np.array(known_in), np.array(checked), np.array(passed))
    exponential = next(
        f
        for f in (fitted(told).chosen, *fitted(told).others)
        if f.model is ReliabilityModel.EXPONENTIAL
    )
    share = np.mean(passed)
    assert exponential.interval_days == pytest.approx(
        100.0 * math.log(TARGET) / math.log(share), rel=1e-5
    )
    models = {f.model for f in (fitted(told).chosen, *fitted(told).others)}
    assert ReliabilityModel.RANDOM_WALK not in models


def test_days_and_months_give_the_same_answer() -> None:
    verdicts = drawn(np.random.default_rng(8), 120, 2.0)
    in_months = PassFail(verdicts.known_in / 30.4375, verdicts.checked / 30.4375, verdicts.passed)
    one, other = fitted(verdicts), fitted(in_months)
    assert other.chosen.model is one.chosen.model
    assert other.chosen.interval_days * 30.4375 == pytest.approx(one.chosen.interval_days, rel=1e-4)
    assert one.low_days is not None
    assert other.low_days is not None
    assert other.low_days * 30.4375 == pytest.approx(one.low_days, rel=1e-3)


def test_no_failure_gives_a_bound_and_says_why() -> None:
    """Twenty good checks at 100 days: rate at most -ln 0.05 / 2000 a day, so 70.3 days at 0.9."""
    found = bounded(renewed_each_time(np.full(20, 100.0), np.ones(20)))
    assert found.at_least_days == pytest.approx(2000 * math.log(0.9) / math.log(0.05), rel=1e-9)
    assert found.at_most_days is None
    assert "none of 20 checks" in found.why.because


def test_a_bound_does_not_reach_beyond_what_was_seen() -> None:
    """2,000 good checks at 100 days say nothing of the second hundred: wrenches wear."""
    found = bounded(renewed_each_time(np.full(2000, 100.0), np.ones(2000)))
    assert found.at_least_days == 100.0


def test_nothing_but_failures_bounds_from_above() -> None:
    """Ten failures of ten at 100 days: the share in is at most 1 - 0.05^(1/10) = 0.2589."""
    found = bounded(renewed_each_time(np.full(10, 100.0), np.zeros(10)))
    assert found.at_least_days is None
    share = binomial_limits(0, 10, 0.05)[1]
    assert found.at_most_days == pytest.approx(scaled_interval(100.0, share, TARGET), rel=1e-9)
    assert "all 10" in found.why.because


def test_few_checks_are_bounded_on_both_sides() -> None:
    """Seven of eight at one age: the limits of the share, carried over."""
    found = bounded(renewed_each_time(np.full(8, 100.0), np.arange(8) < 7))
    low, high = binomial_limits(7, 8, 0.05)
    assert found.at_least_days == pytest.approx(scaled_interval(100.0, low, TARGET), rel=1e-9)
    assert found.at_most_days == pytest.approx(scaled_interval(100.0, high, TARGET), rel=1e-9)
    assert "8 checks are fewer than 10" in found.why.because


def test_no_verdict_no_bound() -> None:
    with pytest.raises(NotEnoughEvidence, match="no check has a verdict"):
        interval_at_reliability(renewed_each_time(np.empty(0), np.empty(0)), TARGET)


@pytest.mark.parametrize("observed", [0.0, 1.0])
def test_scaling_needs_both_kinds_of_checks(observed: float) -> None:
    with pytest.raises(NotEnoughEvidence, match="fixes no failure rate"):
        scaled_interval(12.0, observed, 0.95)


def test_groups_of_age_cover_all_checks_and_agree_with_a_model_that_fits() -> None:
    verdicts = drawn(np.random.default_rng(21), 300, 2.0)
    found = fitted(verdicts).fit
    assert sum(group.checks for group in found.groups) == 300
    assert sum(group.passed for group in found.groups) == verdicts.passed.sum()
    assert found.p_value is not None
    assert found.p_value > 0.01
    assert all(group.low <= group.passed / group.checks <= group.high for group in found.groups)


def test_a_reliability_that_rises_with_age_does_not_fit() -> None:
    """Out early, in later: no model here can do that, and the fit says so."""
    ages = np.repeat([50.0, 200.0, 400.0, 600.0], 40)
    passed = np.concatenate([np.arange(40) < share for share in (20, 28, 34, 38)])
    found = fitted(renewed_each_time(ages, passed)).fit
    assert found.p_value is not None
    assert found.p_value < 1e-4


@pytest.mark.simulation
@pytest.mark.parametrize(("n", "shape"), [(40, 1.0), (40, 2.0)])
def test_intervals_hold_as_often_as_they_say(n: int, shape: float) -> None:
    """120 seeded histories: 95 % intervals hold in at least 90 % of them, Monte Carlo error 2 %.

    The model's choice is in it: intervals of the chosen model alone hold 85 % of the time.
    """
    random = np.random.default_rng(95)
    true = float(900.0 * (-math.log(TARGET)) ** (1 / shape))
    assert weibull(true, 1 / 900.0, shape) == pytest.approx(TARGET)
    held, answered = 0, 0
    for _ in range(120):
        found = interval_at_reliability(drawn(random, n, shape), TARGET)
        if isinstance(found, IntervalBound):
            continue
        answered += 1
        held += (found.low_days or 0.0) <= true <= (found.high_days or math.inf)
    assert answered > 110
    assert held / answered >= 0.90


def test_bounds_hold_as_often_as_they_say() -> None:
    """300 histories of eight checks at a constant rate: each 95 % bound holds 93 % or more."""
    random = np.random.default_rng(96)
    true = -800.0 * math.log(TARGET)
    lower = upper = uppers = 0
    for _ in range(300):
        found = bounded(drawn(random, 8, 1.0, scale=800.0))
        lower += (found.at_least_days or 0.0) <= true
        if found.at_most_days is not None:
            uppers += 1
            upper += found.at_most_days >= true
    assert lower / 300 >= 0.93
    assert upper / uppers >= 0.93
