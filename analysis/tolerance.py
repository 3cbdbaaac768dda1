"""Tolerance intervals of a normal population, and the noncentral t limit of capability.

m effective independent readings behind the mean and nu degrees of freedom behind the SD are given
apart: readings that share the effect of a check are worth less than their number.

Sources: ISO 16269-6:2014 (exact factors, m and nu apart); W. G. Howe, JASA 64 (1969) 610-620, and
NIST/SEMATECH e-Handbook 7.2.6.3 (approximation).
"""

import math
from functools import cache
from typing import Final

import numpy as np

from analysis.arrays import Array

_NODES: Final = 80


def two_sided_factor(m: float, df: float, *, content: float, confidence: float) -> float:
    """k so that mean ± k SD holds the share `content` of the population, with this confidence.

    m           effective number of independent readings behind the mean, > 0
    df          degrees of freedom of the SD, > 0; m - 1 for independent readings

    Exact: over the distribution of the mean, P(SD >= r / k) is averaged, r being the half-width
    about a mean off by delta that still holds the content.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtrc

    nodes, weights = _gauss_legendre(_NODES)
    # delta * sqrt(m) is standard normal; beyond 8 nothing is left. Even in delta: one half serves.
    z = 4.0 * (nodes + 1.0)
    density = 4.0 * weights * 2.0 * np.exp(-(z**2) / 2.0) / math.sqrt(2.0 * math.pi)
    reach = _half_width(z / math.sqrt(m), content)

    def excess(k: float) -> float:
        return float((density * chdtrc(df, df * (reach / k) ** 2)).sum()) - confidence

    guess = howe_factor(m, df, content=content, confidence=confidence)
    low, high = guess, guess
    while excess(low) > 0:
        low /= 1.5
    while excess(high) < 0:
        high *= 1.5
    return float(brentq(excess, low, high, xtol=1e-12, rtol=1e-12))


def howe_factor(m: float, df: float, *, content: float, confidence: float) -> float:
    """Howe's closed approximation of the two-sided factor, a few per mille off."""
    from scipy.special import chdtri, ndtri

    z = float(ndtri((1.0 + content) / 2.0))
    return z * math.sqrt((1.0 + 1.0 / m) * df / float(chdtri(df, confidence)))


def standardised_distance_limit(distance: float, m: float, df: float, confidence: float) -> float:
    """Lower limit of (limit - mean) / sigma from its estimate, by the noncentral t distribution.

    distance  (limit - sample mean) / SD, any sign
    m, df     as above

    sqrt(m) times the estimate is noncentral t with sqrt(m) times the true value.
    """
    from scipy.optimize import brentq

    root = math.sqrt(m)
    t = root * distance

    def excess(noncentrality: float) -> float:
        return _noncentral_t(t, df, noncentrality) - confidence

    # The smaller the true distance, the surer the estimate lies below `t`.
    step = 1.0 + abs(t) / math.sqrt(2.0 * df)
    high = t + step
    while excess(high) > 0:
        high += step
    low = high - step
    while excess(low) < 0:
        low -= step
    return float(brentq(excess, low, high, xtol=1e-11)) / root


@cache  # milliseconds to find, and the search for a root asks again and again
def _gauss_legendre(points: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(points)
    return nodes, weights


def _noncentral_t(t: float, df: float, noncentrality: float) -> float:
    """P(T <= t), T = (Z + noncentrality) / S with Z standard normal and df S² chi-squared.

    scipy.special.nctdtr is not a number at some ordinary arguments (1.17), so: average over Z of
    the chance that S lies on the right side of (Z + noncentrality) / t.
    """
    from scipy.special import chdtr, chdtrc, ndtr

    if abs(t) < 1e-12:  # as good as zero, and its square below would overflow
        return float(ndtr(-noncentrality))
    # Panels over Z, with finer ones about the kink at -noncentrality, whose width is |t|.
    steps = np.array([0.25, 0.5, 1.0, 2.0, 4.0, 8.0]) * abs(t)
    kink = -noncentrality + np.concatenate([-steps, [0.0], steps])
    edges = np.unique(np.clip(np.concatenate([np.linspace(-9.0, 9.0, 73), kink]), -9.0, 9.0))
    nodes, weights = _gauss_legendre(20)
    half = (edges[1:] - edges[:-1])[:, None] / 2.0
    z = (edges[1:] + edges[:-1])[:, None] / 2.0 + half * nodes
    numerator = z + noncentrality
    squared = df * (numerator / t) ** 2
    if t > 0:
        share = np.where(numerator > 0, chdtrc(df, squared), 1.0)
    else:
        share = np.where(numerator < 0, chdtr(df, squared), 0.0)
    return float((half * weights * np.exp(-(z**2) / 2.0) * share).sum() / math.sqrt(2 * math.pi))


def _half_width(delta: Array, content: float) -> Array:
    """r with Phi(delta + r) - Phi(delta - r) = content, by Newton's method; delta >= 0."""
    from scipy.special import ndtr, ndtri

    # At least r: the interval that reaches content on the far side alone.
    r: Array = delta + float(ndtri((1.0 + content) / 2.0))
    for _ in range(60):
        slope = np.exp(-((delta + r) ** 2) / 2) + np.exp(-((delta - r) ** 2) / 2)
        step = (ndtr(delta + r) - ndtr(delta - r) - content) / slope * math.sqrt(2 * math.pi)
        r = r - step
        if float(np.abs(step).max()) < 1e-13:
            break
    return r
