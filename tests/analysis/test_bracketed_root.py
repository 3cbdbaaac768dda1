"""Zeros of many functions at once."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.bracketed_root import bracketed_roots


def test_zeros_agree_with_brent_one_by_one() -> None:
    """Steep and flat, rising and falling, one with its zero at an end of the bracket."""
    centre = np.array([-3.0, 0.0, 0.7, 250.0])
    width = np.array([0.01, 4.0, 1.0, 30.0])
    level = np.array([0.3, 0.5, 0.975, 0.001])
    sign = np.array([1.0, -1.0, 1.0, -1.0])

    def function(x, i=slice(None)):
        return sign[i] * (ndtr((x - centre[i]) / width[i]) - level[i])

    low, high = centre - 9 * width, centre + 9 * width
    low[1] = centre[1]
    found = bracketed_roots(function, low, high)
    assert found[1] == pytest.approx(0.0, abs=1e-14)
    for i in (0, 2, 3):
        alone = brentq(lambda x, i=i: function(x, i), low[i], high[i], xtol=1e-14, rtol=1e-14)
        assert found[i] == pytest.approx(alone, rel=1e-12)


def test_few_steps_for_smooth_functions() -> None:
    """Bisection to the same digits takes more than fifty."""
    steps = 0

    def function(x):
        nonlocal steps
        steps += 1
        return ndtr(x) - np.array([0.025, 0.4, 0.975])

    found = bracketed_roots(function, np.full(3, -9.0), np.full(3, 9.0))
    np.testing.assert_allclose(ndtr(found), [0.025, 0.4, 0.975], rtol=1e-13)
    assert steps < 20


def test_a_jump_is_found_by_bisection() -> None:
    found = bracketed_roots(lambda x: np.where(x < 0.3, -1.0, 1.0), np.zeros(1), np.ones(1))
    assert found[0] == pytest.approx(0.3, abs=1e-12)
