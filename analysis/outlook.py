"""Where a family's wrenches will stand on a day: total gain and offset of a check, with doubt.

The total is level plus the effect of the check (or, for a pull at work, of that pull's hand and
fixture, taken to be as large). Knowledge comes from the last check; drift, its doubt and wander
are carried forward from there, the chance that a knock has come since, and the chance that the
check goes astray.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, STRAY_FACTOR, ErrorLaw
from analysis.family import FamilyFit
from analysis.mixture import Mixture
from analysis.state_filter import State, advance
from analysis.tails import NORMAL, Tails
from analysis.time_basis import clock_ahead

# Weight, mean and variance of one part of a mixture, each (K, N).
Component = tuple[Array, Array, Array]


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

    def of_rows(self, rows: NDArray[np.intp] | slice) -> "Outlook":
        """The same outlook of the chosen wrenches."""
        return replace(
            self,
            mean=self.mean[:, rows],
            cov=self.cov[:, rows],
            knock_chance=self.knock_chance[:, rows],
        )

    def with_rows(self, rows: NDArray[np.intp], others: "Outlook") -> "Outlook":
        """The same outlook with other values of the wrenches in these rows, under the same laws."""
        changed = replace(
            self, mean=self.mean.copy(), cov=self.cov.copy(), knock_chance=self.knock_chance.copy()
        )
        changed.mean[:, rows] = others.mean
        changed.cov[:, rows] = others.cov
        changed.knock_chance[:, rows] = others.knock_chance
        return changed

    def beside(self, *others: "Outlook") -> "Outlook":
        """The same outlook with the wrenches of others after its own, under the same laws."""
        every = (self, *others)
        return replace(
            self,
            mean=np.concatenate([each.mean for each in every], axis=1),
            cov=np.concatenate([each.cov for each in every], axis=1),
            knock_chance=np.concatenate([each.knock_chance for each in every], axis=1),
        )

    def repeated(self, count: int) -> "Outlook":
        """A single wrench's outlook as that of so many, to ask about as many places at once."""
        return self.of_rows(np.zeros(count, dtype=np.intp))

    def totals_at(self, x: Array | float) -> Iterator[Component]:
        """The total deviation at x before the scatter of a reading: a component an event.

        x  one place for all wrenches, or (N,) each its own
        """
        nearer = 1.0 / np.asarray(x)
        mean = self.mean[..., 0] + self.mean[..., 1] * nearer
        variance = (
            self.cov[..., 0, 0]
            + (self.cov[..., 0, 1] + self.cov[..., 1, 0]) * nearer
            + self.cov[..., 1, 1] * nearer**2
        )
        quiet = np.full(mean.shape, 1.0 / self.law.size)
        events = []
        for chance, extra in self.events():
            weight = chance / self.law.size
            quiet -= weight
            events.append((weight, mean, variance + extra[:, :1] + extra[:, 1:] * nearer**2))
        yield quiet, mean, variance
        yield from events

    def readings_at(self, x: Array | float) -> Iterator[Component]:
        """The deviation of one reading at x, scalar or (N,): a component an event and a part of
        the scatter.
        """
        scatter = self.law.scatter_variance(np.atleast_1d(x))
        parts = self.tails.parts()
        for weight, mean, variance in self.totals_at(x):
            for share, scale in parts:
                yield share * weight, mean, variance + scale**2 * scatter

    def at(self, x: Array | float) -> Mixture:
        """`totals_at` as one mixture: K components an event."""
        return _mixture(self.totals_at(x))

    def reading_at(self, x: Array | float) -> Mixture:
        """`readings_at` as one mixture."""
        return _mixture(self.readings_at(x))


def _mixture(components: Iterable[Component]) -> Mixture:
    weight, mean, variance = (np.concatenate(part) for part in zip(*components, strict=True))
    return Mixture(mean=mean, variance=variance, weight=weight)


def last_days(family: FamilyFit) -> Array:
    """(N,) day of each member's last check."""
    return np.asarray(family.histories.day[:, -1])


def _years_on(family: FamilyFit, day: Array | float) -> Array:
    return np.asarray(np.maximum(day - last_days(family), 0.0) / DAYS_PER_YEAR)


def states_on(family: FamilyFit, day: Array | float) -> State:
    """Knowledge of the members' levels and rates on a day; see `outlook`."""
    years = _years_on(family, day)
    clock = clock_ahead(family.histories, family.basis, family.typical_pace, years)
    doubt = years * family.clock_sd_per_year
    state = family.state
    if years.ndim > 1:
        state = state.of_columns(np.tile(np.arange(years.shape[1]), len(years)))
    return advance(state, family.law, years.ravel(), clock.ravel(), doubt.ravel())


def outlook(family: FamilyFit, day: Array | float, *, of_a_check: bool = True) -> Outlook:
    """Outlook of all members on a day; a day before a member's last check counts as that day.

    day         of all, or (N,) each its own; or T days of each, (T, N): the outlook then has T x N
                wrenches, all of them on their first days, then on their second, and so on
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
        knock_chance=family.law.knock_chance(_years_on(family, day).ravel()),
        of_a_check=of_a_check,
        tails=family.tails,
    )
