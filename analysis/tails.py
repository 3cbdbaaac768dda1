"""Tails of the scatter of readings: now and then a reading strays farther than a normal one would.

The scatter of a reading is taken as a mixture of two normal distributions about zero with the
law's variance in total: most readings a little narrower, a small share several times as wide. The
share and the factor come from the readings' residuals within their checks and targets, over the
whole family; a family whose readings look normal keeps the normal distribution.
Reference: J. W. Tukey, A survey of sampling from contaminated distributions (1960).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.history import Histories

_SHARES: Final = np.array([0.005, 0.01, 0.02, 0.04, 0.07, 0.1, 0.15, 0.2])
_FACTORS: Final = np.array([1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0])
# Readings weighted down as outlying leave the law narrower than all readings together are.
_SCALES: Final = np.linspace(0.9, 1.3, 9)
_CLEARLY_BETTER: Final = 5.0  # log likelihood that three more parameters must earn
_FEWEST_RESIDUALS: Final = 100


@dataclass(frozen=True, slots=True)
class Tails:
    """A share of readings scatters `factor` times as wide as the rest.

    scale  SD of all of them together over the law's
    """

    share: float
    factor: float
    scale: float = 1.0

    def parts(self) -> tuple[tuple[float, float], ...]:
        """(weight, SD as a multiple of the law's scatter) of each part that has a weight."""
        narrow = self.scale * (1.0 - self.share + self.share * self.factor**2) ** -0.5
        parts = ((1.0 - self.share, narrow), (self.share, self.factor * narrow))
        return tuple(part for part in parts if part[0] > 0.0)


NORMAL: Final = Tails(share=0.0, factor=1.0)


def fit_tails(law: ErrorLaw, histories: Histories) -> Tails:
    """The most likely tails under one law (size 1), or NORMAL unless others are clearly better."""
    z, _ = standardised_residuals(law, histories)
    if z.size < _FEWEST_RESIDUALS:
        return NORMAL
    best, best_gain = NORMAL, _CLEARLY_BETTER
    normal = _log_density(z, NORMAL)
    for share in _SHARES.tolist():
        for factor in _FACTORS.tolist():
            for scale in _SCALES.tolist():
                tails = Tails(share, factor, scale)
                gain = _log_density(z, tails) - normal
                if gain > best_gain:
                    best, best_gain = tails, gain
    return best


def standardised_residuals(law: ErrorLaw, histories: Histories) -> tuple[Array, Array]:
    """Residuals of readings in units of their expected SD under one law, and where in the range.

    Both (n,): the readings less the mean of their check and target, where repeated; and x.
    """
    known = ~np.isnan(histories.residual_pct) & (histories.count > 1)[..., None]
    count = np.where(histories.count > 1, histories.count, 2.0)
    expected = law.scatter_variance(histories.x)[0] * (1.0 - 1.0 / count)
    z = histories.residual_pct / np.sqrt(expected)[..., None]
    x = np.broadcast_to(histories.x[..., None], z.shape)
    return np.asarray(z[known]), np.asarray(x[known])


def _log_density(z: Array, tails: Tails) -> float:
    density = sum(
        weight / scale * np.exp(-0.5 * (z / scale) ** 2) for weight, scale in tails.parts()
    )
    # Far beyond any share's reach the density underflows: such a residual speaks for the widest.
    return float(np.log(np.maximum(density, 1e-300)).sum())
