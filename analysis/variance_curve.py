"""A variance along the range of a wrench, and how it differs between the bottom and the top.

In % of reading, what is proportional to torque has the same variance everywhere and what is
constant in torque grows as 1 / x² towards the bottom:

    V(x) = a + b / x²         a = rho², b = alpha² where it is the scatter of one reading

It is estimated by its logarithms at both ends of the range, so neither a nor b is bound to be
positive and "no difference" is an inner point: the ratio of two places has a regular interval, and
a fleet that is better at the bottom can say so. Source of the estimate: quasi-likelihood of a
variance, R. W. M. Wedderburn, Biometrika 61 (1974) 439-447 (from memory), for squares with
the expectation V(x) and a chi-squared spread; the doubt is that of `analysis.clustered`.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.clustered import Estimate, jackknife_covariance, plain_estimate, positive_estimate

_MOST_STEPS: Final = 100
_SETTLED: Final = 1e-10
_LARGEST_STEP: Final = 1.0  # of a logarithm


@dataclass(frozen=True, slots=True)
class VarianceCurve:
    """V(x) = a + b / x², (% of reading)².

    bottom     smallest x that was measured
    log_ends   (2,) logarithms of V at `bottom` and at full scale
    covariance (2, 2) of them
    df         clusters less one
    """

    bottom: float
    log_ends: Array
    covariance: Array
    df: float

    def variance(self, x: Array) -> Array:
        """V at x, any shape, from `bottom` to 1."""
        at_bottom = _share_of_bottom(x, self.bottom)
        low, high = np.exp(self.log_ends)
        return np.asarray(high + (low - high) * at_bottom)

    def slope_of_log(self, x: Array) -> Array:
        """(..., 2) how log V at x follows the logarithms at both ends."""
        at_bottom = _share_of_bottom(x, self.bottom)
        ends = np.exp(self.log_ends) * np.stack([at_bottom, 1.0 - at_bottom], axis=-1)
        return np.asarray(ends / self.variance(x)[..., None])

    def sd_at(self, x: float) -> Estimate:
        """The standard deviation at x, % of reading."""
        slope = self.slope_of_log(np.asarray(x)) / 2
        return positive_estimate(
            float(np.log(self.variance(np.asarray(x)))) / 2, _root(slope, self.covariance), self.df
        )

    def ratio(self, x: float, over: float) -> Estimate:
        """The standard deviation at x over that at another place."""
        places = np.array([x, over])
        log_variance, slope = np.log(self.variance(places)), self.slope_of_log(places)
        return positive_estimate(
            float(log_variance[0] - log_variance[1]) / 2,
            _root((slope[0] - slope[1]) / 2, self.covariance),
            self.df,
        )

    def constant_part(self) -> Estimate:
        """b, (% of full scale)²: below zero where the bottom is the better end."""
        reach = 1.0 / self.bottom**2 - 1.0
        low, high = np.exp(self.log_ends)
        return plain_estimate(
            float((low - high) / reach),
            _root(np.array([low, -high]) / reach, self.covariance),
            self.df,
        )

    def proportional_part(self) -> Estimate:
        """a, (% of reading)²."""
        reach = 1.0 / self.bottom**2 - 1.0
        low, high = np.exp(self.log_ends)
        return plain_estimate(
            float(high - (low - high) / reach),
            _root(np.array([-low / reach, high * (1 + 1 / reach)]), self.covariance),
            self.df,
        )


def _share_of_bottom(x: Array, bottom: float) -> Array:
    return np.asarray((1.0 / np.asarray(x) ** 2 - 1.0) / (1.0 / bottom**2 - 1.0))


def _root(slope: Array, covariance: Array) -> float:
    return float(np.sqrt(slope @ covariance @ slope))


@dataclass(frozen=True, slots=True)
class CurveScores:
    """Where an estimated curve's clusters pull it: scores (G, 2), informations (G, 2, 2)."""

    bottom: float
    log_ends: Array
    score: Array
    information: Array


def curve_scores(
    x: Array, square: Array, weight: Array, known: Array, cluster: NDArray[np.intp], clusters: int
) -> CurveScores:
    """Estimate the ends of V from squares whose expectation is weight * (V(x) + known).

    x        (M,) places, at least two different
    square   (M,) sums of squares
    weight   (M,) degrees of freedom of each, or shares of them
    known    (M,) variance that is there besides and known
    cluster  (M,) from 0 to clusters - 1
    """
    bottom = float(x.min())
    at_bottom = _share_of_bottom(x, bottom)
    parts = np.stack([at_bottom, 1.0 - at_bottom], axis=-1)
    overall = max(float((square.sum() - (weight * known).sum()) / weight.sum()), 1e-8)
    log_ends = np.full(2, np.log(overall))

    def pulled(log_ends: Array) -> tuple[Array, Array]:
        share = parts * np.exp(log_ends)
        variance = share.sum(axis=-1) + known
        relative = share / variance[:, None]
        score = 0.5 * (square / variance - weight)[:, None] * relative
        information = 0.5 * weight[:, None, None] * relative[:, :, None] * relative[:, None, :]
        return score, information

    for _ in range(_MOST_STEPS):
        score, information = pulled(log_ends)
        # What rounding explains alone leaves an end without information: a trace keeps it solvable.
        step = np.linalg.solve(information.sum(axis=0) + 1e-9 * np.eye(2), score.sum(axis=0))
        log_ends = log_ends + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        if np.abs(step).max() < _SETTLED:
            break
    score, information = pulled(log_ends)
    by_score, by_information = np.zeros((clusters, 2)), np.zeros((clusters, 2, 2))
    np.add.at(by_score, cluster, score)
    np.add.at(by_information, cluster, information)
    return CurveScores(bottom, log_ends, by_score, by_information)


def variance_curve(
    x: Array, square: Array, weight: Array, known: Array, cluster: NDArray[np.intp], clusters: int
) -> VarianceCurve:
    """The curve with its doubt between clusters; arguments as in `curve_scores`."""
    found = curve_scores(x, square, weight, known, cluster, clusters)
    return VarianceCurve(
        bottom=found.bottom,
        log_ends=found.log_ends,
        covariance=jackknife_covariance(found.score, found.information),
        df=clusters - 1.0,
    )
