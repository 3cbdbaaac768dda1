"""Where a family's wrenches will stand on a day: total gain and offset of a check, with doubt.

The total is level plus the effect of the check (or, for a pull at work, of that pull's hand and
fixture, taken to be as large). Knowledge comes from the last check; drift, its doubt and wander
are carried forward from there.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.fleet import FamilyFit
from analysis.state_filter import State, advance, diagonal


@dataclass(frozen=True, slots=True)
class Outlook:
    """K equally likely normal distributions for each of N wrenches.

    law   the K laws
    mean  (K, N, 2) total gain (% of reading) and total offset (% of full scale)
    cov   (K, N, 2, 2)
    """

    law: ErrorLaw
    mean: Array
    cov: Array

    def at(self, x: float) -> tuple[Array, Array]:
        """Mean and variance (K, N) of the total deviation at x, before the scatter of a reading."""
        z = np.array([1.0, 1.0 / x])
        return self.mean @ z, np.einsum("i,knij,j->kn", z, self.cov, z)

    def row(self, i: int) -> Self:
        """The outlook of one wrench, N = 1."""
        return type(self)(self.law, self.mean[:, i : i + 1], self.cov[:, i : i + 1])


def last_days(family: FamilyFit) -> Array:
    """(N,) day of each member's last check."""
    return np.asarray(family.histories.day[:, -1])


def states_on(family: FamilyFit, day: Array | float) -> State:
    """Knowledge of the members' levels and rates on a day, scalar or (N,); see `outlook`."""
    years = np.maximum(np.broadcast_to(day, last_days(family).shape) - last_days(family), 0.0)
    return advance(family.state, family.law, years / DAYS_PER_YEAR)


def outlook(family: FamilyFit, day: Array | float) -> Outlook:
    """Outlook of all members on a day; a day before a member's last check counts as that day."""
    state = states_on(family, day)
    return Outlook(
        law=family.law,
        mean=state.level,
        cov=state.level_cov + diagonal(family.law.check_sd**2)[:, None],
    )
