"""Where a family's wrenches will stand on a day: total gain and offset of a check, with doubt.

The total is level plus the effect of the check (or, for a pull at work, of that pull's hand and
fixture, taken to be as large). Knowledge comes from the last check; drift, its doubt and wander
are carried forward from there, and the chance that a knock has come since.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.fleet import FamilyFit
from analysis.mixture import Mixture
from analysis.state_filter import State, advance
from analysis.time_basis import clock_ahead


@dataclass(frozen=True, slots=True)
class Outlook:
    """K equally likely normal distributions for each of N wrenches, were none knocked.

    law           the K laws
    mean          (K, N, 2) total gain (% of reading) and total offset (% of full scale)
    cov           (K, N, 2, 2)
    knock_chance  (K, N) of a knock since the last check; it adds the law's knock variance to cov
    """

    law: ErrorLaw
    mean: Array
    cov: Array
    knock_chance: Array

    def at(self, x: float) -> Mixture:
        """The total deviation at x, before the scatter of a reading: components (2 K, N)."""
        z = np.array([1.0, 1.0 / x])
        mean = self.mean @ z
        variance = np.einsum("i,knij,j->kn", z, self.cov, z)
        knocked = variance + (self.law.knock_sd**2 @ z**2)[:, None]
        weight = np.concatenate([1 - self.knock_chance, self.knock_chance]) / self.law.size
        return Mixture(np.concatenate([mean, mean]), np.concatenate([variance, knocked]), weight)

    def reading_at(self, x: float) -> Mixture:
        """The deviation of one reading at x."""
        scatter = self.law.scatter_variance(np.asarray(x))
        return self.at(x).plus(np.concatenate([scatter, scatter])[:, None])

    def row(self, i: int) -> Self:
        """The outlook of one wrench, N = 1."""
        part = slice(i, i + 1)
        return type(self)(
            self.law, self.mean[:, part], self.cov[:, part], self.knock_chance[:, part]
        )


def last_days(family: FamilyFit) -> Array:
    """(N,) day of each member's last check."""
    return np.asarray(family.histories.day[:, -1])


def _years_on(family: FamilyFit, day: Array | float) -> Array:
    ahead = np.broadcast_to(day, last_days(family).shape) - last_days(family)
    return np.maximum(ahead, 0.0) / DAYS_PER_YEAR


def states_on(family: FamilyFit, day: Array | float) -> State:
    """Knowledge of the members' levels and rates on a day, scalar or (N,); see `outlook`."""
    years = _years_on(family, day)
    clock = clock_ahead(family.histories, family.basis, family.typical_pace, years)
    return advance(family.state, family.law, years, clock)


def outlook(family: FamilyFit, day: Array | float, *, of_a_check: bool = True) -> Outlook:
    """Outlook of all members on a day; a day before a member's last check counts as that day.

    of_a_check  false: the wrench's own level, without the effect of a check
    """
    state = states_on(family, day)
    cov = np.moveaxis(state.level_cov, (0, 1), (-2, -1))
    if of_a_check:
        cov = cov + (family.law.check_sd**2)[:, None, :, None] * np.eye(2)
    return Outlook(
        law=family.law,
        mean=np.moveaxis(state.level, 0, -1),
        cov=cov,
        knock_chance=family.law.knock_chance(_years_on(family, day)),
    )
