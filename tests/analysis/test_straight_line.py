"""Linear fits: invariance, refusals, coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.special import stdtrit

from analysis.errors import NotEnoughEvidence
from analysis.straight_line import fit_columns, fit_line, fit_polynomial

X = np.array([0.0, 1.0, 2.0, 3.5, 5.0, 8.0])
values = arrays(np.float64, X.size, elements=st.floats(-10, 10))


@given(
    values, st.floats(-100, 100), st.sampled_from([0.01, 0.5, 365.25]), st.permutations(range(6))
)
def test_shift_unit_and_order_do_not_matter(y, shift, factor, order):
    """y + c moves the constant, x in another unit rescales the slope, order changes nothing."""
    order = list(order)
    base = fit_line(X, y)
    moved = fit_line((X * factor)[order], (y + shift)[order])
    close = {"rel": 1e-7, "abs": 1e-7}
    assert moved.estimates[0] == pytest.approx(base.estimates[0] + shift, **close)
    assert moved.estimates[1] * factor == pytest.approx(base.estimates[1], **close)
    assert moved.uncertainties[1] * factor == pytest.approx(base.uncertainties[1], **close)


@given(values, st.floats(0.1, 10.0))
def test_equal_known_uncertainties_change_no_estimate(y, u):
    plain, weighted = fit_line(X, y), fit_line(X, y, np.full(X.size, u))
    assert weighted.estimates == pytest.approx(plain.estimates, rel=1e-7, abs=1e-7)
    assert weighted.chi_squared == pytest.approx(
        plain.residual_sd**2 * plain.df / u**2, rel=1e-6, abs=1e-9
    )


def test_a_value_known_ten_times_better_counts_a_hundred_times():
    """A weight of 100 is the same as the value given 100 times with the common uncertainty."""
    y, u = np.array([0.0, 1.0, 5.0]), np.array([1.0, 1.0, 0.1])
    weighted = fit_line([0, 1, 2], y, u)
    repeated = fit_line([0, 1] + [2] * 100, np.r_[y[:2], np.full(100, 5.0)], np.ones(102))
    assert weighted.estimates == pytest.approx(repeated.estimates)
    assert weighted.covariance == pytest.approx(repeated.covariance)


def test_the_line_at_a_point():
    """Through (0, 0), (1, 1), (2, 2) ± 1 known: at 1 the u of the mean is 1/√3."""
    fit = fit_line([0, 1, 2], [0, 1, 2], [1, 1, 1])
    assert fit.at(1.0) == pytest.approx((1.0, 1 / np.sqrt(3)))


def test_inverse_of_the_line_returns_to_x():
    fit = fit_line(X, 2.0 + 0.5 * X + np.array([0.1, -0.1, 0.05, -0.05, 0.1, -0.1]))
    x, u = fit.x_where(fit.at(4.0)[0])
    assert x == pytest.approx(4.0)
    assert u == pytest.approx(fit.at(4.0)[1] / fit.estimates[1])
    with pytest.raises(ValueError, match="straight line"):
        fit_polynomial(X, X**2, (0, 1, 2)).x_where(1.0)


def test_columns_that_are_no_powers_are_not_evaluated_at_x():
    fit = fit_columns(np.column_stack([np.ones(6), np.sqrt(X)]), X)
    with pytest.raises(ValueError, match="not powers"):
        fit.at(1.0)


@pytest.mark.parametrize(
    ("x", "y", "u", "why"),
    [
        ([1.0, 2.0], [1.0, 2.0], None, "2 values cannot give 2 coefficients"),
        ([1.0], [1.0], [0.1], "1 values cannot give 2 coefficients"),
        ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0], None, "too few or too alike"),
    ],
)
def test_what_cannot_be_fitted_is_refused(x, y, u, why):
    with pytest.raises(NotEnoughEvidence, match=why):
        fit_line(x, y, u)


def test_through_the_origin_needs_an_x_that_is_not_zero():
    with pytest.raises(NotEnoughEvidence, match="zero throughout"):
        fit_polynomial([0.0, 0.0], [1.0, 2.0], (1,))


def test_two_values_with_known_uncertainties_make_a_line():
    fit = fit_line([0.0, 2.0], [1.0, 2.0], [0.1, 0.1])
    assert fit.estimates == pytest.approx([1.0, 0.5])
    assert fit.df == 0
    assert fit.chi_squared == pytest.approx(0.0, abs=1e-20)


def test_the_interval_of_the_slope_holds_as_often_as_it_says():
    """4000 seeded lines, 6 points: 95 % t intervals, Monte Carlo error 0.34 %."""
    rng = np.random.default_rng(28037)
    t = stdtrit(4, 0.975)
    held = 0
    for _ in range(4000):
        fit = fit_line(X, 1.0 + 0.3 * X + rng.normal(0, 0.5, X.size))
        held += abs(fit.estimates[1] - 0.3) <= t * fit.uncertainties[1]
    assert held / 4000 == pytest.approx(0.95, abs=0.0105)


def test_known_uncertainties_make_chi_squared_of_the_right_size():
    """2000 seeded lines: chi-squared averages its df, 4, within four Monte Carlo errors (0.25)."""
    rng = np.random.default_rng(4)
    u = np.array([0.1, 0.2, 0.3, 0.1, 0.2, 0.3])
    found = [fit_line(X, 1.0 + 0.3 * X + rng.normal(0, u), u).chi_squared for _ in range(2000)]
    assert np.mean(found) == pytest.approx(4.0, abs=0.25)
