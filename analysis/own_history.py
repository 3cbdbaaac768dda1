"""Drift of one wrench from its own readings alone: a mixed model by REML, nothing borrowed.

For the readings of the current segment in one direction,

    d = g0 + o0 / x + (g1 + o1 / x) t + s_G + s_O / x + e,     Var e = k v(x)

with v(x) the family's scatter and k free, and s_G, s_O the independent effects of each check.
The model is linear and small: given the variances of the effects as multiples of k, the rest is
closed form from two numbers h and a 2 x 2 matrix H a check. So REML is a search over two numbers,
on a grid first, since its likelihood may have several tops and its best variance is often zero.
The rate's interval uses Student's t on checks - 2 degrees of freedom: a check is one piece of
evidence about drift, however many readings it holds.
References: J. Pinheiro, D. Bates, Mixed-Effects Models in S and S-PLUS (2000), chapter 2 (profiled
REML criterion).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.history import ROUNDING_SD_PCT

FEWEST_CHECKS: Final = 3
_GRID: Final = 11  # SDs of the check's effects tried along each axis, besides zero


@dataclass(frozen=True, slots=True)
class OwnRate:
    """A drift rate with its interval and test from the wrench's own readings.

    per_year      gain: % of reading, offset: % of full scale
    lower, upper  95 % interval
    p_value       two-sided, of no drift
    """

    per_year: float
    standard_error: float
    lower: float
    upper: float
    p_value: float


@dataclass(frozen=True, slots=True)
class OwnHistory:
    """The single-wrench fit.

    gain, offset  drift rates
    check_sd      SDs of the check's effect, (gain in % of reading, offset in % of full scale)
    checks, degrees_of_freedom
    converged     whether the optimiser was satisfied; where a variance is zero it may not be
    """

    gain: OwnRate
    offset: OwnRate
    check_sd: tuple[float, float]
    checks: int
    degrees_of_freedom: int
    converged: bool


def fit_own_history(
    years: Array, x: Array, deviation_pct: Array, check: Array, scatter_variance: Array
) -> OwnHistory | NotEnoughEvidence:
    """Fit the readings of one segment; every argument is (n,), one entry a reading.

    years             since any origin
    x                 target / full scale
    deviation_pct     % of reading
    check             labels of the checks
    scatter_variance  v(x) of the family, % squared

    NotEnoughEvidence (as a value) with fewer than three checks on different days, or with a single
    target, where gain and offset cannot be told apart.
    """
    checks = len(np.unique(check))
    if checks < FEWEST_CHECKS or len(np.unique(years)) < FEWEST_CHECKS:
        return NotEnoughEvidence(
            because=f"this segment has {checks} check{'s' * (checks != 1)} and a rate of the "
            f"wrench's own needs {FEWEST_CHECKS} on different days",
            needed=f"{max(1, FEWEST_CHECKS - checks)} more would do; until then the family's rate "
            "stands in",
        )
    if len(np.unique(x)) < 2:
        return NotEnoughEvidence(
            because="all readings are at one target, so gain and offset cannot be told apart",
            needed="a check with targets low and high in the range would do",
        )
    t = years - years.mean()
    design = np.stack([np.ones_like(x), 1 / x, t, t / x], axis=1)
    if np.linalg.matrix_rank(design / np.linalg.norm(design, axis=0)) < design.shape[1]:
        return NotEnoughEvidence(
            because="the targets hardly recur from check to check, so drift cannot be told from "
            "the shape of the error over the range",
            needed="two more checks at the same targets, one low and one high, would do",
        )
    rest = deviation_pct - design @ np.linalg.lstsq(design, deviation_pct, rcond=None)[0]
    if np.sqrt(np.mean(rest**2)) < ROUNDING_SD_PCT:
        return NotEnoughEvidence(
            because="the readings show no scatter beyond their rounding",
            needed="readings as the tester showed them, not copied from one another, would do",
        )
    from scipy.optimize import minimize  # slow to import, needed only when a drift is asked for
    from scipy.special import stdtr, stdtrit

    sums = _check_sums(t, x, deviation_pct, check, scatter_variance)
    steps = np.concatenate([[0.0], np.geomspace(0.02, 20.0, _GRID)])
    # The effects in units in which a check's own line has an error of about one.
    unit = np.sqrt(np.diagonal(np.linalg.inv(sums.H.mean(axis=0))))
    grid = np.stack(np.meshgrid(steps, steps, indexing="ij"), -1).reshape(-1, 2) * unit
    start = grid[_profile(sums, grid**2).criterion.argmin()] / unit
    found = minimize(
        lambda effect: float(_profile(sums, (effect * unit) ** 2).criterion),
        start,
        method="L-BFGS-B",
        bounds=[(0.0, None), (0.0, None)],
        options={"ftol": 1e-14, "gtol": 1e-8},
    )
    effect = found.x * unit
    fit = _profile(sums, effect**2)
    errors = np.sqrt(np.diagonal(fit.covariance))
    freedom = checks - 2
    t95 = float(stdtrit(freedom, 0.975))

    def rate(index: int) -> OwnRate:
        estimate, error = float(fit.coefficients[index]), float(errors[index])
        return OwnRate(
            per_year=estimate,
            standard_error=error,
            lower=estimate - t95 * error,
            upper=estimate + t95 * error,
            p_value=float(2 * stdtr(freedom, -abs(estimate / error))),
        )

    return OwnHistory(
        gain=rate(2),
        offset=rate(3),
        check_sd=(float(effect[0] * np.sqrt(fit.k)), float(effect[1] * np.sqrt(fit.k))),
        checks=checks,
        degrees_of_freedom=freedom,
        converged=bool(found.success),
    )


@dataclass(frozen=True, slots=True)
class _Sums:
    """What C checks' readings say, weighted by 1 / v: times t (C,), h (C, 2), H (C, 2, 2).

    square  sum of d² / v over all n readings
    """

    t: Array
    h: Array
    H: Array
    square: float
    n: int


@dataclass(frozen=True, slots=True)
class _Profile:
    """REML for given variances of the check's effects, as multiples of k.

    criterion, k (...); coefficients (..., 4); covariance (..., 4, 4)
    """

    criterion: Array
    coefficients: Array
    covariance: Array
    k: Array


def _check_sums(t: Array, x: Array, d: Array, check: Array, v: Array) -> _Sums:
    _, first, index = np.unique(check, return_index=True, return_inverse=True)
    checks = len(first)
    z = np.stack([np.ones_like(x), 1 / x], axis=1)
    h, information = np.zeros((checks, 2)), np.zeros((checks, 2, 2))
    np.add.at(h, index, z * (d / v)[:, None])
    np.add.at(information, index, z[:, :, None] * z[:, None] / v[:, None, None])
    return _Sums(t[first], h, information, float((d**2 / v).sum()), len(d))


def _profile(sums: _Sums, variances: Array) -> _Profile:
    """The profile at one pair of variances, or at each of (..., 2)."""
    # With L = diag(variances): Z'V^-1 Z = (I + H L)^-1 H and so on, by the matrix inversion lemma.
    with_effects = np.eye(2) + sums.H * variances[..., None, None, :]
    inverse = np.linalg.inv(with_effects)
    m, scaled = inverse @ sums.H, (inverse @ sums.h[..., None])[..., 0]
    t = sums.t[:, None]
    moments = [(m * t[..., None] ** power).sum(axis=-3) for power in range(3)]
    information = np.concatenate(
        [
            np.concatenate([moments[0], moments[1]], axis=-1),
            np.concatenate([moments[1], moments[2]], axis=-1),
        ],
        axis=-2,
    )
    score = np.concatenate([scaled.sum(axis=-2), (scaled * t).sum(axis=-2)], axis=-1)
    coefficients = np.linalg.solve(information, score[..., None])[..., 0]
    explained = ((sums.h * variances[..., None, :]) * scaled).sum(axis=(-2, -1))
    square = sums.square - explained - (score * coefficients).sum(axis=-1)
    freedom = sums.n - score.shape[-1]
    criterion = (
        freedom * np.log(square)
        + np.linalg.slogdet(with_effects)[1].sum(axis=-1)
        + np.linalg.slogdet(information)[1]
    )
    k = square / freedom
    return _Profile(criterion, coefficients, k[..., None, None] * np.linalg.inv(information), k)
