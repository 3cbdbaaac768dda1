"""A variance along the range of a wrench, and how it differs between the bottom and the top.

In % of reading, what is proportional to torque has the same variance everywhere and what is
constant in torque grows as 1 / x² towards the bottom:

    V(x) = a + b / x²         a = rho², b = alpha² where it is the scatter of one reading

It is estimated by its values at both ends of the range. Neither a nor b is bound to be positive, so
"no difference" is an inner point: the ratio of two places has a regular interval, and a fleet that
is better at the bottom can say so. Where a variance that is known besides explains everything, an
end may come out at zero or below, and its interval says so.

Source of the estimate: quasi-likelihood, R. W. M. Wedderburn, Biometrika 61 (1974) 439-447 (from
memory), for squares with the expectation V(x) and a chi-squared spread; the doubt is that of
`analysis.clustered`.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.clustered import Estimate, jackknife_covariance, plain_estimate, positive_estimate

_MOST_STEPS: Final = 200
_SETTLED: Final = 1e-12
_LEAST_SHARE: Final = 1e-4  # of the overall variance: the weight of a square stays finite
_LONGEST: Final = 30.0  # standard errors of a logarithm that still can be written as a number


@dataclass(frozen=True, slots=True)
class VarianceCurve:
    """V(x) = a + b / x², (% of reading)².

    bottom      smallest x that was measured
    ends        (2,) V at `bottom` and at full scale
    covariance  (2, 2) of them
    df          clusters less one
    """

    bottom: float
    ends: Array
    covariance: Array
    df: float

    def variance(self, x: Array) -> Array:
        """V at x, any shape, from `bottom` to 1; never below a trace above zero."""
        least = _LEAST_SHARE * max(float(self.ends.max()), _LEAST_SHARE)
        return np.asarray(np.maximum(_parts(x, self.bottom) @ self.ends, least))

    def sd_at(self, x: float) -> Estimate:
        """The standard deviation at x, % of reading."""
        slope = _parts(np.asarray(x), self.bottom)
        variance = float(self.variance(np.asarray(x)))
        return self._positive(np.log(variance) / 2, slope / variance / 2)

    def ratio(self, x: float, over: float) -> Estimate:
        """The standard deviation at x over that at another place."""
        places = np.array([x, over])
        variance = self.variance(places)
        slopes = _parts(places, self.bottom) / variance[:, None]
        return self._positive(
            (np.log(variance[0]) - np.log(variance[1])) / 2, (slopes[0] - slopes[1]) / 2
        )

    def constant_part(self) -> Estimate:
        """b, (% of full scale)²: below zero where the bottom is the better end."""
        return self._plain(np.array([1.0, -1.0]) / (1.0 / self.bottom**2 - 1.0))

    def proportional_part(self) -> Estimate:
        """a, (% of reading)²."""
        share = 1.0 / (1.0 / self.bottom**2 - 1.0)
        return self._plain(np.array([-share, 1.0 + share]))

    def _positive(self, log_value: float, slope: Array) -> Estimate:
        return positive_estimate(log_value, min(_root(slope, self.covariance), _LONGEST), self.df)

    def _plain(self, slope: Array) -> Estimate:
        return plain_estimate(float(slope @ self.ends), _root(slope, self.covariance), self.df)


def _parts(x: Array, bottom: float) -> Array:
    """(..., 2) how V at x is made of V at both ends."""
    share = (1.0 / np.asarray(x) ** 2 - 1.0) / (1.0 / bottom**2 - 1.0)
    return np.stack([share, 1.0 - share], axis=-1)


def _root(slope: Array, covariance: Array) -> float:
    return float(np.sqrt(slope @ covariance @ slope))


@dataclass(frozen=True, slots=True)
class CurveScores:
    """Where an estimated curve's clusters pull it: scores (G, 2), informations (G, 2, 2)."""

    bottom: float
    ends: Array
    score: Array
    information: Array


def curve_scores(
    x: Array,
    square: Array,
    weight: Array,
    known: Array,
    cluster: NDArray[np.intp],
    clusters: int,
) -> CurveScores:
    """Estimate the ends of V from squares whose expectation is weight * (V(x) + known).

    x        (M,) places, at least two different
    square   (M,) sums of squares
    weight   (M,) degrees of freedom of each, or shares of them
    known    (M,) variance that is there besides and known
    cluster  (M,) from 0 to clusters - 1
    """
    bottom = float(x.min())
    parts = _parts(x, bottom)
    least = np.maximum(known / 4, _LEAST_SHARE * float(square.sum() / weight.sum()))
    ends = np.full(2, float((square - weight * known).sum() / weight.sum()))

    def precision(ends: Array) -> Array:
        return np.asarray(0.5 / np.maximum(parts @ ends + known, least) ** 2)

    for _ in range(_MOST_STEPS):
        pull = precision(ends)
        information = np.einsum("m,mi,mj->ij", pull * weight, parts, parts)
        found = np.linalg.solve(information, (pull * (square - weight * known)) @ parts)
        moved, ends = np.abs(found - ends).max(), (ends + found) / 2  # halved: never to and fro
        if moved < _SETTLED * max(np.abs(ends).max(), 1.0):
            break
    pull = precision(ends)
    score, information = np.zeros((clusters, 2)), np.zeros((clusters, 2, 2))
    off = square - weight * (parts @ ends + known)
    np.add.at(score, cluster, (pull * off)[:, None] * parts)
    np.add.at(information, cluster, np.einsum("m,mi,mj->mij", pull * weight, parts, parts))
    return CurveScores(bottom, ends, score, information)


def variance_curve(
    x: Array,
    square: Array,
    weight: Array,
    known: Array,
    cluster: NDArray[np.intp],
    clusters: int,
) -> VarianceCurve:
    """The curve with its doubt between clusters; arguments as in `curve_scores`."""
    found = curve_scores(x, square, weight, known, cluster, clusters)
    return VarianceCurve(
        bottom=found.bottom,
        ends=found.ends,
        covariance=jackknife_covariance(found.score, found.information),
        df=clusters - 1.0,
    )
