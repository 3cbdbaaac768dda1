"""REML fit of one random effect: readings y in groups, y = X b + effect of the group + error.

    Var(y_c) = s_w² (I + theta J)    within group c of n_c readings,   theta = s_b² / s_w² >= 0

Given theta everything else is closed form, so the criterion is a function of one variable; its
minimum is found on a bounded scale, and zero (no difference between groups) is an ordinary answer.

Source: J. Pinheiro, D. Bates, Mixed-Effects Models in S and S-PLUS (2000), section 2.2 (profiled
restricted likelihood).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array

_GRID: Final = 200


@dataclass(frozen=True, slots=True)
class RandomIntercept:
    """What restricted likelihood says.

    within_variance, between_variance   squared unit of the readings; the second may be zero
    estimates                           (p,) fixed effects b
    covariance                          (p, p) theirs, the variances taken as known
    criterion                           -2 log restricted likelihood; infinitely negative, and so
                                        of no use, when readings of a group never differ
    """

    within_variance: float
    between_variance: float
    estimates: Array
    covariance: Array
    criterion: float


def fit_random_intercept(
    values: Array, group: NDArray[np.intp], design: Array, *, ratio: float | None = None
) -> RandomIntercept:
    """The REML fit.

    values  (N,) readings
    group   (N,) 0 .. k - 1, every one present
    design  (N, p) fixed effects, full column rank, N > p
    ratio   theta, when it is known already (closed form of balanced data); None to search

    Needs some scatter within groups.
    """
    profile = _Profile(values, group, design)
    theta = profile.best_ratio() if ratio is None else ratio
    return profile.fit(theta)


@dataclass(frozen=True, slots=True)
class _Solved:
    """The fit for given ratios (...): xx (..., p, p), step (..., p), within and criterion (...)."""

    xx: Array
    step: Array
    within: Array
    criterion: Array


class _Profile:
    """Sums over groups, made once; then each theta costs a p x p solve."""

    def __init__(self, values: Array, group: NDArray[np.intp], design: Array) -> None:
        self.n, self.p = design.shape
        k = int(group.max()) + 1
        self.count = np.bincount(group, minlength=k).astype(np.float64)
        # Least squares first: what remains is small, so the sums below keep their digits.
        self.start = np.linalg.lstsq(design, values, rcond=None)[0]
        rest = values - design @ self.start
        self.xx, self.xy, self.yy = design.T @ design, design.T @ rest, float(rest @ rest)
        self.sum_x = np.zeros((k, self.p))
        np.add.at(self.sum_x, group, design)
        self.sum_y = np.bincount(group, weights=rest, minlength=k)

    def fit(self, theta: float) -> RandomIntercept:
        at = self._at(np.asarray(theta))
        within = float(at.within)
        return RandomIntercept(
            within_variance=within,
            between_variance=theta * within,
            estimates=self.start + at.step,
            covariance=np.asarray(within * np.linalg.inv(at.xx), dtype=np.float64),
            criterion=float(at.criterion),
        )

    def _at(self, theta: Array) -> _Solved:
        weight = theta[..., None] / (1.0 + theta[..., None] * self.count)
        xx = self.xx - (self.sum_x.T * weight[..., None, :]) @ self.sum_x
        xy = self.xy - (weight * self.sum_y) @ self.sum_x
        yy = self.yy - weight @ self.sum_y**2
        step = np.asarray(np.linalg.solve(xx, xy[..., None])[..., 0], dtype=np.float64)
        df = self.n - self.p
        within = np.maximum(yy - (xy * step).sum(axis=-1), 0.0) / df
        logdet = np.linalg.slogdet(xx)[1]
        spread = np.log1p(theta[..., None] * self.count).sum(axis=-1)
        with np.errstate(divide="ignore"):
            scale = np.log(2 * math.pi * within)
        return _Solved(xx, step, within, df * (scale + 1.0) + spread + logdet)

    def best_ratio(self) -> float:
        from scipy.optimize import minimize_scalar  # half a second to import

        # The share of the between-group variance, theta / (1 + theta), lies in [0, 1).
        def criterion(share: float) -> float:
            return float(self._at(np.asarray(share / (1.0 - share))).criterion)

        # Fine towards both ends, where the minimum of small and of large ratios lies.
        grid = (1.0 - np.cos(np.linspace(0.0, math.pi, _GRID))) / 2.0
        grid[-1] = 1.0 - 1e-12
        heights = self._at(grid / (1.0 - grid)).criterion
        best = int(np.argmin(heights))
        low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _GRID - 1)])
        found = minimize_scalar(
            criterion, bounds=(low, high), method="bounded", options={"xatol": 1e-13}
        )
        share = float(found.x) if found.fun < heights[0] else 0.0
        return share / (1.0 - share)
