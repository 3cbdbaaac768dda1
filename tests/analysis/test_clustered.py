"""Doubt between clusters, against exact leave-one-out estimates."""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.clustered import (
    jackknife_covariance,
    plain_estimate,
    positive_estimate,
    quantile_of_t,
)


def test_the_mean_of_independent_numbers_has_its_textbook_error() -> None:
    """For a mean the jackknife variance is s² / n exactly (R. G. Miller 1974, from memory)."""
    values = np.random.Generator(np.random.PCG64(1)).normal(size=12)
    score = (values - values.mean())[:, None]
    found = jackknife_covariance(score, np.ones((12, 1, 1)))
    assert found[0, 0] == pytest.approx(values.var(ddof=1) / 12)


def test_a_regression_agrees_with_statsmodels_leaving_out_each_row() -> None:
    random = np.random.Generator(np.random.PCG64(2))
    x = sm.add_constant(random.normal(size=30))
    y = x @ [1.0, 2.0] + random.normal(size=30) * (1 + np.abs(x[:, 1]))
    fit = sm.OLS(y, x).fit()
    without = fit.get_influence().params_not_obsi
    reference = 29 / 30 * (without - without.mean(axis=0)).T @ (without - without.mean(axis=0))
    score = fit.resid[:, None] * x
    found = jackknife_covariance(score, x[:, :, None] * x[:, None, :])
    np.testing.assert_allclose(found, reference, rtol=1e-10)


def test_readings_repeated_within_a_cluster_add_nothing() -> None:
    """Ten copies of every reading leave the doubt as it was."""
    values = np.random.Generator(np.random.PCG64(3)).normal(size=8)
    score = (values - values.mean())[:, None]
    once = jackknife_covariance(score, np.ones((8, 1, 1)))
    tenfold = jackknife_covariance(10 * score, 10 * np.ones((8, 1, 1)))
    np.testing.assert_allclose(tenfold, once)


def test_one_cluster_is_no_evidence() -> None:
    with pytest.raises(ValueError, match="one cluster"):
        jackknife_covariance(np.zeros((1, 1)), np.ones((1, 1, 1)))


def test_intervals_are_students() -> None:
    """t of 9 degrees of freedom: 2.262 (NIST/SEMATECH e-Handbook 1.3.6.7.2, from memory)."""
    assert quantile_of_t(9) == pytest.approx(2.262, abs=5e-4)
    plain = plain_estimate(1.0, 0.5, 9)
    assert (plain.lower, plain.upper) == pytest.approx((1 - 1.131, 1 + 1.131), abs=1e-3)
    positive = positive_estimate(np.log(2.0), 0.1, 9)
    assert positive.upper / positive.value == pytest.approx(positive.value / positive.lower)
