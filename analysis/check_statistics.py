"""What the readings of many histories say of each check, prepared once for any number of laws.

Under a law with scatter variance v(x) the readings of a check at targets j say

    H = sum_j n_j z_j z_j' / v_j,     h = sum_j n_j y_j z_j / v_j,     z = (1, 1/x)

with n the readings at a target and y their mean (`analysis.state_filter` says what these are for).
Fleets are checked at few places x. So 1/v is worked out once a law and place, and each of the five
sums is a product of two matrices: 1/v by law and place, and n, n/x, n/x², ny or ny/x by place and
wrench. Where nearly every check has places of its own, the targets are added up one by one.
"""

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.history import Histories

_FEW: Final = 3  # places of the range for each target of a check


class CheckStatistics(Protocol):
    """Sums over the readings of N histories with up to C checks."""

    def constant(self, law: ErrorLaw) -> Array:
        """(P, N) log likelihood of all readings, but for what hangs on the state of the wrench."""
        ...

    def weights(self, law: ErrorLaw) -> Array:
        """What `said` needs of P laws, worked out once for all checks."""
        ...

    def said(self, weights: Array, c: int) -> Array:
        """h0, h1, H00, H01 and H11 of the check c: (5, P, N)."""
        ...


def check_statistics(histories: Histories) -> CheckStatistics:
    """The statistics of histories, in whichever form is quicker for them."""
    places, inverse = np.unique(histories.x, return_inverse=True)
    if len(places) > _FEW * histories.x.shape[2]:
        return _TargetByTarget.of(histories)
    return _ByPlace.of(histories, places, np.reshape(inverse, histories.x.shape))


@dataclass(frozen=True, slots=True)
class _ByPlace:
    """Sums at U places.

    x        (U,)
    sums     (C, 5, U, N) of n y, n y / x, n, n / x, n / x²
    count    (U, N) readings of all checks
    squares  (U, N) sums of their squares
    """

    x: Array
    sums: Array
    count: Array
    squares: Array

    @classmethod
    def of(cls, histories: Histories, places: Array, place: NDArray[np.intp]) -> "_ByPlace":
        n, y, z = histories.count, histories.mean_pct, 1.0 / histories.x
        wrenches, checks, _ = n.shape
        shape = checks, len(places), wrenches
        cell = (np.arange(checks)[:, None] * len(places) + place) * wrenches
        cell = (cell + np.arange(wrenches)[:, None, None]).ravel()

        def summed(values: Array) -> Array:
            total = np.bincount(cell, values.ravel(), checks * len(places) * wrenches)
            return np.asarray(total.reshape(shape), dtype=np.float64)

        of_checks = [summed(values) for values in (n * y, n * y * z, n, n * z, n * z**2)]
        return cls(
            x=places,
            sums=np.stack(of_checks, axis=1),
            count=of_checks[2].sum(axis=0),
            squares=summed(histories.squares + n * y**2).sum(axis=0),
        )

    def constant(self, law: ErrorLaw) -> Array:
        variance = law.scatter_variance(self.x)
        logs = np.log(2 * np.pi * variance) @ self.count
        return np.asarray(-0.5 * (logs + (1.0 / variance) @ self.squares))

    def weights(self, law: ErrorLaw) -> Array:
        return np.asarray(1.0 / law.scatter_variance(self.x))

    def said(self, weights: Array, c: int) -> Array:
        return np.asarray(weights @ self.sums[c])


@dataclass(frozen=True, slots=True)
class _TargetByTarget:
    """x, n and y (C, J, N) of each target, and sums of squares (C, J, N)."""

    x: Array
    count: Array
    mean: Array
    squares: Array

    @classmethod
    def of(cls, histories: Histories) -> "_TargetByTarget":
        squares = histories.squares + histories.count * histories.mean_pct**2
        return cls(
            *(
                np.ascontiguousarray(values.transpose(1, 2, 0))
                for values in (histories.x, histories.count, histories.mean_pct, squares)
            )
        )

    def constant(self, law: ErrorLaw) -> Array:
        total = np.zeros((law.size, self.x.shape[2]))
        for x, n, squares in zip(self.x, self.count, self.squares, strict=True):
            variance = law.scatter_variance(x)  # (P, J, N)
            total += (n * np.log(2 * np.pi * variance) + squares / variance).sum(axis=1)
        return np.asarray(-0.5 * total)

    def weights(self, law: ErrorLaw) -> Array:
        return np.stack([law.rho_pct**2, law.alpha_pct**2])

    def said(self, weights: Array, c: int) -> Array:
        proportional, constant = weights[:, :, None]
        total = np.zeros((5, weights.shape[1], self.x.shape[2]))
        for x, n, y in zip(self.x[c], self.count[c], self.mean[c], strict=True):
            z = 1.0 / x
            weight = n / (proportional + constant * z**2)
            nearer = weight * z
            for i, part in enumerate((weight * y, nearer * y, weight, nearer, nearer * z)):
                total[i] += part
        return total
