"""The pass probability of a group's wrenches over the days after their last checks.

Worked out on days a month apart; between them its normal quantile is taken as straight, which is
within a day or two of the crossing that `analysis.due` finds by bisection.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from analysis.arrays import Array
from analysis.outlook import last_days
from analysis.pass_days import pass_probability_on
from analysis.pass_probability import mean_over_laws, quantile
from analysis.shop import PlannedGroup

_STEP_DAYS: Final = 30.0
_NODES: Final = 401  # of the trapezoidal rule over an interval


@dataclass(frozen=True, slots=True)
class PassCurve:
    """Curves of N wrenches.

    start     (N,) UTC days of the last checks
    steps     (T,) days after them
    quantile  (T, N) normal quantiles of the pass probabilities
    """

    start: Array
    steps: Array
    quantile: Array

    @classmethod
    def of(cls, group: PlannedGroup, horizon_days: float) -> Self:
        """The curves up to `horizon_days` after the last checks at least."""
        start = last_days(group.family)
        steps = np.arange(0.0, horizon_days + _STEP_DAYS, _STEP_DAYS)
        days = start + steps[:, None]
        by_law = pass_probability_on(group.family, days, group.plan, group.mpd_pct)
        return cls(start, steps, quantile(mean_over_laws(by_law)))

    def of_row(self, row: int) -> Self:
        """The curve of one wrench alone."""
        return type(self)(self.start[[row]], self.steps, self.quantile[:, [row]])

    def first_crossing(self, target: float) -> Array:
        """(N,) days until a curve is first below the target; infinity: never."""
        level = float(quantile(np.asarray(target)))
        below = self.quantile < level
        first = below.argmax(axis=0)
        before = np.take_along_axis(self.quantile, np.maximum(first - 1, 0)[None], axis=0)[0]
        after = np.take_along_axis(self.quantile, first[None], axis=0)[0]
        with np.errstate(divide="ignore", invalid="ignore"):  # below from the first day on
            share = (before - level) / (before - after)
        days = np.where(first == 0, 0.0, self.steps[first] - (1.0 - share) * _STEP_DAYS)
        return np.where(below.any(axis=0), days, np.inf)

    def at(self, days: Array) -> Array:
        """(..., N) the probabilities at `days` (..., N) within the steps."""
        from scipy.special import ndtr

        low = np.minimum((days / _STEP_DAYS).astype(np.intp), len(self.steps) - 2)
        share = days / _STEP_DAYS - low
        columns = np.arange(days.shape[-1])
        value = (1.0 - share) * self.quantile[low, columns] + share * self.quantile[
            low + 1, columns
        ]
        return np.asarray(ndtr(value))

    def failing_days(self, days: Array) -> Array:
        """(N,) expected days, of the first `days` (N,), on which a check would have failed."""
        shares = np.linspace(0.0, 1.0, _NODES)
        failing = 1.0 - self.at(shares[:, None] * days)
        return np.asarray(np.trapezoid(failing, shares, axis=0) * days)
