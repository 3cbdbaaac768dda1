"""Where increasing or decreasing functions cross zero, many at once, without derivatives.

Each crossing lies in a bracket that only shrinks. A step is inverse quadratic interpolation where
the last three values allow it and bisection where they do not, so that smooth functions take about
ten steps and none takes more than bisection would.
Source: T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a
nonlinear function without using derivatives, Advances in Engineering Software 28 (1997) 145-149
(from memory).
"""

from collections.abc import Callable
from typing import Final

import numpy as np

from analysis.arrays import Array

_MOST_STEPS: Final = 80
_RELATIVE: Final = 4e-15


def bracketed_roots(function: Callable[[Array], Array], low: Array, high: Array) -> Array:
    """Zeros of N functions, each between its ends of `low` and `high`, to the last digits.

    function   values at one point each, of the shape of `low`; at the ends of opposite sign or zero
    """
    a, b = np.array(high, dtype=np.float64), np.array(low, dtype=np.float64)
    at_a, at_b = function(a), function(b)
    c, at_c = a.copy(), at_a.copy()
    share = np.full(a.shape, 0.5)
    for _ in range(_MOST_STEPS):
        tried = a + share * (b - a)
        value = function(tried)
        same = np.sign(value) == np.sign(at_a)
        c, at_c = np.where(same, a, b), np.where(same, at_a, at_b)
        b, at_b = np.where(same, b, a), np.where(same, at_b, at_a)
        a, at_a = tried, value
        nearer = np.abs(at_a) < np.abs(at_b)
        best = np.where(nearer, a, b)
        width = np.abs(b - a)
        least = (_RELATIVE * np.abs(best) + 1e-300) / np.where(width > 0.0, width, 1.0)
        if np.all((np.minimum(np.abs(at_a), np.abs(at_b)) == 0.0) | (least > 0.5) | (width == 0.0)):
            break
        share = _next_share(a, b, c, at_a, at_b, at_c)
        share = np.clip(share, np.minimum(least, 0.5), np.maximum(1.0 - least, 0.5))
    return np.where(np.abs(at_a) < np.abs(at_b), a, b)


def _next_share(a: Array, b: Array, c: Array, at_a: Array, at_b: Array, at_c: Array) -> Array:
    """How far from a to b to go: interpolated where that is sure to shrink the bracket well."""
    with np.errstate(divide="ignore", invalid="ignore"):
        xi = (a - b) / (c - b)
        phi = (at_a - at_b) / (at_c - at_b)
        smooth = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        inner = at_a / (at_b - at_a) * at_c / (at_b - at_c)
        outer = (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
        share = inner + outer
    return np.where(smooth & np.isfinite(share), share, 0.5)
