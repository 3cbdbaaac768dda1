"""Readings of one direction as cells: one a check and target, for studies over the range.

Cells of one check share its hand and fixture, cells of one wrench its level, so evidence is counted
by wrench.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.history import Histories


@dataclass(frozen=True, slots=True)
class RangeCells:
    """M cells.

    wrenches    serials, each with at least one cell
    wrench      (M,) index into `wrenches`
    check       (M,) number of the check, alike for the cells of one check
    x           (M,) target / full scale
    count       (M,) readings
    mean_pct    (M,) their mean deviation, % of reading
    residual_pct  (M, R) the readings less that mean; nan where padded
    step_variance  (M,) variance that rounding in known steps adds to a reading, (% of full scale)²
    """

    wrenches: tuple[str, ...]
    wrench: NDArray[np.intp]
    check: NDArray[np.intp]
    x: Array
    count: Array
    mean_pct: Array
    residual_pct: Array
    step_variance: Array

    @property
    def square(self) -> Array:
        """(M,) sums of squares about the cells' means."""
        return np.asarray(np.nansum(self.residual_pct**2, axis=-1))

    @property
    def checks(self) -> int:
        return len(np.unique(self.check))

    def where(self, chosen: Flags) -> Self:
        """The chosen cells; wrenches without any are left out."""
        kept, wrench = np.unique(self.wrench[chosen], return_inverse=True)
        return type(self)(
            wrenches=tuple(self.wrenches[i] for i in kept),
            wrench=wrench,
            check=self.check[chosen],
            x=self.x[chosen],
            count=self.count[chosen],
            mean_pct=self.mean_pct[chosen],
            residual_pct=self.residual_pct[chosen],
            step_variance=self.step_variance[chosen],
        )

    def by_wrench(self, values: Array) -> Array:
        """(W, ...) sums of (M, ...) values over each wrench's cells."""
        total = np.zeros((len(self.wrenches), *values.shape[1:]))
        np.add.at(total, self.wrench, values)
        return total


def cells_of(
    histories: Histories, checks: Flags | None = None, step_variance: Array | None = None
) -> RangeCells:
    """The cells of packed histories.

    checks         (N, C) which checks count; None: all
    step_variance  (N, C) as in RangeCells; None: the readings are as good as not rounded
    """
    counting = histories.present if checks is None else histories.present & checks
    wrench, check, target = np.nonzero((histories.count > 0) & counting[:, :, None])
    at = wrench, check, target
    most = histories.present.shape[1]
    rounded = np.zeros(histories.present.shape) if step_variance is None else step_variance
    every = RangeCells(
        wrenches=histories.wrenches,
        wrench=wrench,
        check=wrench * most + check,
        x=histories.x[at],
        count=histories.count[at],
        mean_pct=histories.mean_pct[at],
        residual_pct=histories.residual_pct[at],
        step_variance=rounded[wrench, check],
    )
    return every.where(np.ones(len(wrench), dtype=np.bool_))
