"""The chance that a check finds every reading within the maximum permissible deviation.

Given total gain A and offset B of the check, readings are independent, so

    P(pass) = E_AB prod_j [ Phi((M_j - d_j) / s_j) - Phi((-M_j - d_j) / s_j) ]^n,  d_j = A + B / x_j

with s_j² = rho² + (alpha / x_j)², and likewise where the scatter has tails (`analysis.tails`). The
expectation is a two-dimensional sum over the normal distribution of (A, B), without and with a
knock since the last check or a check gone astray, for each law of the family, averaged over them.

Where doubt about A and B is wide beside s_j, the integrand is nearly a step, which Gauss-Hermite
nodes miss by a percent. The sum therefore runs along the axes in which the deviations at the
targets vary most and least: many evenly spaced nodes along the first (the trapezoidal rule, which
converges exponentially for smooth functions on the whole line), few Gauss-Hermite nodes along the
second.
Source of the rule that every reading must lie within: ISO 6789-1:2017 (from memory).
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.outlook import Outlook
from analysis.tails import Tails

# Error below 0.001 where doubt is up to five times the scatter, below 0.01 at ten times.
_ALONG: Final = 31
_REACH: Final = 4.8
_ACROSS: Final = 6
SHARING: Final = 16  # from so many laws on they share the work
_ALONG_SHARED: Final = 12
_ACROSS_SHARED: Final = 3
_GOLDEN: Final = (math.sqrt(5) - 1) / 2  # shifts spread evenly for any number of laws
_NEGLIGIBLE: Final = 1e-7
_SURE: Final = 1e-12
_OUT_OF_REACH: Final = 8.3  # SDs: what lies beyond is less than the last digit of 1
_CELLS_AT_ONCE: Final = 32_000  # laws x wrenches x nodes: stays in the processor's cache


@dataclass(frozen=True, slots=True)
class CheckPlan:
    """What a check measures: targets as shares of full scale, and readings at each.

    Raises ValueError without a target, with a target not above zero, or without a reading.
    """

    x: tuple[float, ...]
    repeats: int

    def __post_init__(self) -> None:
        if not self.x or not all(0.0 < x < math.inf for x in self.x) or self.repeats < 1:
            raise ValueError(f"a check needs targets above zero and readings at them, not {self}")


@cache
def grid_of(laws: int, rare: bool) -> tuple[Array, Array]:
    """Standard normal nodes (K, Q, 2) and weights (K, Q) for K laws; far corners are left out.

    A single law needs a fine row of nodes. Many laws share the work: each has a coarse row, shifted
    against its neighbours', and their average is as good as one fine row. A rare event
    counts little and is coarser still.
    """
    if laws < SHARING:
        return quadrature(_ALONG, _ACROSS, np.zeros(laws))
    across = 2 if rare else _ACROSS_SHARED
    return quadrature(_ALONG_SHARED, across, np.asarray((np.arange(laws) * _GOLDEN) % 1.0 - 0.5))


def quadrature(count: int, across_count: int, shift: Array) -> tuple[Array, Array]:
    """Standard normal nodes (K, Q, 2) and weights (K, Q): evenly spaced along, Gaussian across.

    shift  (K,) of the rows along, in steps
    """
    laws, step = len(shift), 2 * _REACH / (count - 1)
    along = np.linspace(-_REACH, _REACH, count) + step * shift[:, None]
    across, across_weight = np.polynomial.hermite_e.hermegauss(across_count)
    weight = (np.exp(-(along**2) / 2)[:, :, None] * across_weight).reshape(laws, -1)
    nodes = np.stack(
        np.broadcast_arrays(along[:, :, None], across[None, None, :]), axis=-1
    ).reshape(laws, -1, 2)
    weight = weight / weight.sum(axis=1, keepdims=True)
    kept = (weight > _NEGLIGIBLE).any(axis=0)
    return nodes[:, kept], weight[:, kept] / weight[:, kept].sum(axis=1, keepdims=True)


def pass_probability_by_law(outlook: Outlook, plan: CheckPlan, mpd_pct: Array) -> Array:
    """(K, N) pass probabilities under each law; mpd_pct is (N, J) for the plan's J targets.

    With many laws each is rough and only their average is precise: see `grid_of`.

    Raises ValueError for a limit that is not a number or is below zero: a missing limit must not
    read as "never due".
    """
    if not (mpd_pct >= 0.0).all():
        raise ValueError("every target needs a limit of zero or more")
    laws = outlook.law.size
    quiet = _expectation(outlook, outlook.cov, plan, mpd_pct, grid_of(laws, rare=False))
    answer = quiet
    for chance, extra in outlook.events():
        wider = outlook.cov + extra[:, None, :, None] * np.eye(2)
        happened = _expectation(outlook, wider, plan, mpd_pct, grid_of(laws, rare=True))
        answer = answer + chance * (happened - quiet)
    return answer


def _expectation(
    outlook: Outlook, cov: Array, plan: CheckPlan, mpd_pct: Array, grid: tuple[Array, Array]
) -> Array:
    nodes, weights = grid
    x = np.asarray(plan.x)
    sd = np.sqrt(outlook.law.scatter_variance(x))[:, None, :]  # (K, 1, J)
    z = np.stack([np.ones_like(x), 1.0 / x])  # (2, J)
    laws, wrenches = outlook.mean.shape[:2]
    chunk = max(1, _CELLS_AT_ONCE // (laws * nodes.shape[1]))
    answer = np.empty((laws, wrenches))
    for start in range(0, wrenches, chunk):
        part = slice(start, start + chunk)
        any_root = np.asarray(np.linalg.cholesky(cov[:, part]), dtype=np.float64)
        root = principal(any_root, z / sd[:, None])
        # In units of the scatter: (K, n, J), and (K, n, 2, J) along the axes of the nodes.
        centre = (outlook.mean[:, part] @ z) / sd
        along = (root.swapaxes(-1, -2) @ z) / sd[:, None]
        limit = mpd_pct[part] / sd
        passing = np.ones((*centre.shape[:2], nodes.shape[1]))
        for j in range(len(x)):
            deviation = along[:, :, :1, j] * nodes[:, None, :, 0]
            deviation += along[:, :, 1:, j] * nodes[:, None, :, 1]
            deviation += centre[:, :, None, j]
            passing *= _inside(deviation, limit[:, :, None, j], outlook.tails) ** plan.repeats
        answer[:, part] = np.einsum("knq,kq->kn", passing, weights)
    return answer


def _inside(deviation: Array, limit: Array, tails: Tails) -> Array:
    """Chance that a reading lies within its limit, all in units of the scatter.

    deviation  is used up
    """
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    away = np.abs(deviation, out=deviation)
    inside = np.zeros_like(away)
    for weight, scale in tails.parts():
        within = ndtr((limit - away) / scale)
        reached = limit < _OUT_OF_REACH * scale
        if reached.any():
            # Left out one by one, so that a wrench has the same chance in any company.
            within -= np.where(reached, ndtr((-limit - away) / scale), 0.0)
        within *= weight
        inside += within
    return inside


def principal(root: Array, z: Array) -> Array:
    """Roots of covariances turned so that the deviations vary most along the first coordinate.

    root  (K, n, 2, 2) any square roots, as the answer
    z     (K, 1, 2, J) how gain and offset enter the deviations, in units of their scatter
    """
    seen = root.swapaxes(-1, -2) @ z
    square = seen @ seen.swapaxes(-1, -2)
    angle = np.arctan2(2 * square[..., 0, 1], square[..., 0, 0] - square[..., 1, 1]) / 2
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(root @ np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2))


def pass_probability(outlook: Outlook, plan: CheckPlan, mpd_pct: Array) -> Array:
    """(N,) pass probabilities, the doubt about the family's law included."""
    return mean_over_laws(pass_probability_by_law(outlook, plan, mpd_pct))


def quantile(probability: Array) -> Array:
    """Normal quantiles of pass probabilities, which run nearly straight in time; never infinite."""
    from scipy.special import ndtri  # slow to import, needed only when a forecast is asked for

    return np.asarray(ndtri(np.clip(probability, _SURE, 1.0 - _SURE)))


def mean_over_laws(by_law: Array) -> Array:
    """(..., N) averages of (..., K, N) over the K laws.

    numpy adds up a single column in another order than several, and the last digit differs. So
    that a wrench has the same chance in any company, none is averaged alone.
    """
    columns = np.repeat(by_law, 2, axis=-1) if by_law.shape[-1] == 1 else by_law
    return np.asarray(columns.mean(axis=-2)[..., : by_law.shape[-1]])
