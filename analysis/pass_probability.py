"""The chance that a check finds every reading within the maximum permissible deviation.

Given total gain A and offset B of the check, readings are independent, so

    P(pass) = E_AB prod_j [ Phi((M_j - d_j) / s_j) - Phi((-M_j - d_j) / s_j) ]^n,  d_j = A + B / x_j

with s_j² = rho² + (alpha / x_j)². The expectation is a two-dimensional Gauss-Hermite sum over the
normal distribution of (A, B), without and with a knock since the last check, for each law of the
family, averaged over the laws.
Source of the rule that every reading must lie within: ISO 6789-1:2017 (from memory).
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.outlook import Outlook

_NODES: Final = 16
_CELLS_AT_ONCE: Final = 4_000_000  # laws x wrenches x nodes x targets; bounds the memory


@dataclass(frozen=True, slots=True)
class CheckPlan:
    """What a check measures: targets as shares of full scale, and readings at each."""

    x: tuple[float, ...]
    repeats: int


@cache
def _grid() -> tuple[Array, Array]:
    """Standard normal product nodes (Q, 2) and weights (Q,); corners of no weight are left out."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    product = np.stack(np.meshgrid(nodes, nodes, indexing="ij"), -1).reshape(-1, 2)
    weight = np.outer(weights, weights).ravel()
    kept = weight > 1e-9
    return product[kept], weight[kept] / weight[kept].sum()


def pass_probability_by_law(outlook: Outlook, plan: CheckPlan, mpd_pct: Array) -> Array:
    """(K, N) pass probabilities under each law; mpd_pct is (N, J) for the plan's J targets."""
    quiet = _expectation(outlook, outlook.cov, plan, mpd_pct)
    if not outlook.knock_chance.any():
        return quiet
    jump = (outlook.law.knock_sd**2)[:, None, :, None] * np.eye(2)
    knocked = _expectation(outlook, outlook.cov + jump, plan, mpd_pct)
    return np.asarray(quiet + outlook.knock_chance * (knocked - quiet))


def _expectation(outlook: Outlook, cov: Array, plan: CheckPlan, mpd_pct: Array) -> Array:
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    nodes, weights = _grid()
    x = np.asarray(plan.x)
    sd = np.sqrt(outlook.law.scatter_variance(x))[:, None, None, :]  # (K, 1, 1, J)
    z = np.stack([np.ones_like(x), 1.0 / x])  # (2, J)
    laws, wrenches = outlook.mean.shape[:2]
    chunk = max(1, _CELLS_AT_ONCE // (laws * len(nodes) * len(x)))
    answer = np.empty((laws, wrenches))
    for start in range(0, wrenches, chunk):
        part = slice(start, start + chunk)
        root = np.linalg.cholesky(cov[:, part])
        total = outlook.mean[:, part, None, :] + nodes @ root.swapaxes(-1, -2)  # (K, n, Q, 2)
        deviation = total @ z
        limit = mpd_pct[None, part, None, :]
        inside = ndtr((limit - deviation) / sd) - ndtr((-limit - deviation) / sd)
        answer[:, part] = (inside**plan.repeats).prod(-1) @ weights
    return answer


def pass_probability(outlook: Outlook, plan: CheckPlan, mpd_pct: Array) -> Array:
    """(N,) pass probabilities, the doubt about the family's law included."""
    return np.asarray(pass_probability_by_law(outlook, plan, mpd_pct).mean(axis=0))
