"""Moments, quantiles and tails of mixtures of normal distributions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from analysis.mixture import (
    Mixture,
    mixture_cdf,
    mixture_quantile,
    sign_probability,
    summarise,
)

MEAN = np.array([-1.0, 0.5, 4.0])
SD = np.array([0.5, 2.0, 0.1])
WEIGHT = np.array([0.5, 0.3, 0.2])
MIXTURE = Mixture(MEAN, SD**2, WEIGHT)


def _cdf(value: float) -> float:
    return float((WEIGHT * norm(MEAN, SD).cdf(value)).sum())


def test_one_component_is_a_normal_distribution() -> None:
    """95 % interval from the normal table: mean ± 1.959964 SD."""
    one = summarise(Mixture.of_equals(np.array([2.0]), np.array([9.0])))
    assert one.mean == pytest.approx(2.0)
    assert one.sd == pytest.approx(3.0)
    assert one.lower == pytest.approx(2.0 - 3 * 1.959964, abs=1e-5)
    assert one.upper == pytest.approx(2.0 + 3 * 1.959964, abs=1e-5)


def test_moments_agree_with_numerical_integration() -> None:
    """Mean and SD of the density itself."""

    def density(value: float) -> float:
        return float((WEIGHT * norm(MEAN, SD).pdf(value)).sum())

    around = {"points": [-1.0, 0.5, 4.0], "limit": 200}
    mean = quad(lambda v: v * density(v), -20, 20, **around)[0]
    square = quad(lambda v: (v - mean) ** 2 * density(v), -20, 20, **around)[0]
    summary = summarise(MIXTURE)
    assert summary.mean == pytest.approx(mean, abs=1e-7)
    assert summary.sd == pytest.approx(np.sqrt(square), abs=1e-7)


@pytest.mark.parametrize("probability", [1e-6, 0.025, 0.3, 0.5, 0.85, 0.975, 1 - 1e-6])
def test_quantiles_solve_the_distribution_function(probability: float) -> None:
    """Against a root finder on the written-out distribution function."""
    expected = brentq(lambda v: _cdf(v) - probability, -30, 30, xtol=1e-12)
    assert mixture_quantile(MIXTURE, probability) == pytest.approx(expected, abs=1e-6)
    assert mixture_cdf(MIXTURE, np.array(expected)) == pytest.approx(probability, rel=1e-6)


def test_many_mixtures_at_once_are_each_their_own() -> None:
    """Components along the first axis, anything behind it."""
    random = np.random.default_rng(6)
    mean, sd = random.normal(size=(5, 2, 3)), random.uniform(0.2, 2.0, (5, 2, 3))
    weight = random.dirichlet(np.ones(5), (2, 3)).transpose(2, 0, 1)
    together = summarise(Mixture(mean, sd**2, weight))
    tails = sign_probability(Mixture(mean, sd**2, weight))
    for i, j in np.ndindex(2, 3):
        one = Mixture(mean[:, i, j], sd[:, i, j] ** 2, weight[:, i, j])
        alone = summarise(one)
        for name in ("mean", "sd", "lower", "upper"):
            assert getattr(together, name)[i, j] == pytest.approx(getattr(alone, name), rel=1e-9)
        assert tails[i, j] == pytest.approx(sign_probability(one), rel=1e-12)


def test_added_noise_adds_its_variance_to_every_component() -> None:
    """And leaves means and weights."""
    wider = MIXTURE.plus(np.array([1.0, 2.0, 3.0]))
    np.testing.assert_allclose(wider.variance, SD**2 + [1.0, 2.0, 3.0])
    np.testing.assert_array_equal(wider.mean, MEAN)
    np.testing.assert_array_equal(wider.weight, WEIGHT)


@given(
    mean=st.lists(st.floats(-5, 5), min_size=1, max_size=4),
    sd=st.floats(0.05, 3.0),
)
@settings(max_examples=40, deadline=None)
def test_the_tail_probability_is_two_sided_and_knows_no_side(mean: list[float], sd: float) -> None:
    """Within 0 and 1, the same for the mirrored mixture, twice the smaller tail."""
    values = np.array(mean)
    mixture = Mixture.of_equals(values, np.full(len(mean), sd**2))
    mirrored = Mixture.of_equals(-values, np.full(len(mean), sd**2))
    tail = float(sign_probability(mixture))
    below = norm(values, sd).cdf(0.0).mean()
    assert tail == pytest.approx(2 * min(below, 1 - below), abs=1e-12)
    assert 0.0 <= tail <= 1.0
    assert float(sign_probability(mirrored)) == pytest.approx(tail, abs=1e-9)
