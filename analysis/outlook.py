"""Where a family's wrenches will stand on a day: total gain and offset of a check, with doubt.

The total is level plus the effect of the check (or, for a pull at work, of that pull's hand and
fixture, taken to be as large). Knowledge comes from the last check; drift, its doubt and wander
are carried forward from there, the chance that a knock has come since, and the chance that the
check goes astray.
"""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, STRAY_FACTOR, ErrorLaw
from analysis.family import FamilyFit
from analysis.mixture import Mixture
from analysis.state_filter import State, advance
from analysis.tails import NORMAL, Tails
from analysis.time_basis import clock_ahead


@dataclass(frozen=True, slots=True)
class Outlook:
    """K equally likely normal distributions for each of N wrenches, were there no events.

    law           the K laws
    mean          (K, N, 2) total gain (% of reading) and total offset (% of full scale)
    cov           (K, N, 2, 2)
    knock_chance  (K, N) of a knock since the last check; it adds the law's knock variance to cov
    of_a_check    false: the wrench's own level, without the effect of a check
    tails         of the scatter of a reading
    """

    law: ErrorLaw
    mean: Array
    cov: Array
    knock_chance: Array
    of_a_check: bool = True
    tails: Tails = NORMAL

    def events(self) -> tuple[tuple[Array, Array], ...]:
        """What may have happened: (chance (K, N), variance it adds to gain and offset (K, 2))."""
        law = self.law
        stray = law.stray_share[:, None] * np.ones_like(self.knock_chance)
        chances = [(self.knock_chance, law.knock_sd**2)]
        if self.of_a_check:
            chances.append((stray, (STRAY_FACTOR**2 - 1) * law.check_sd**2))
        return tuple(event for event in chances if event[0].any())

    def at(self, x: Array | float) -> Mixture:
        """The total deviation at x before the scatter of a reading: K components an event.

        x  one place for all wrenches, or (N,) each its own
        """
        z = np.ones((self.mean.shape[1], 2))
        z[:, 1] = 1.0 / np.asarray(x)
        mean = np.einsum("kni,ni->kn", self.mean, z)
        variance = np.einsum("ni,knij,nj->kn", z, self.cov, z)
        events = self.events()
        quiet = np.ones_like(mean) - sum(chance for chance, _ in events)
        return Mixture(
            mean=np.concatenate([mean] * (1 + len(events))),
            variance=np.concatenate(
                [variance, *(variance + extra @ (z**2).T for _, extra in events)]
            ),
            weight=np.concatenate([quiet, *(chance for chance, _ in events)]) / self.law.size,
        )

    def reading_at(self, x: Array | float) -> Mixture:
        """The deviation of one reading at x, scalar or (N,)."""
        total = self.at(x)
        copies = total.mean.shape[0] // self.law.size
        scatter = np.tile(self.law.scatter_variance(np.atleast_1d(x)), (copies, 1))
        parts = self.tails.parts()
        return Mixture(
            mean=np.concatenate([total.mean] * len(parts)),
            variance=np.concatenate([total.variance + s**2 * scatter for _, s in parts]),
            weight=np.concatenate([w * total.weight for w, _ in parts]),
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
    return advance(family.state, family.law, years, clock, years * family.clock_sd_per_year)


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
        of_a_check=of_a_check,
        tails=family.tails,
    )
