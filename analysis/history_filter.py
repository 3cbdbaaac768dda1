"""The state filter over whole histories, for many wrenches and many parameter sets at once.

What is worked out and why stands in `analysis.state_filter`; each check is taken in by
`analysis.filter_step`.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from analysis.arrays import Array
from analysis.check_branches import Seen
from analysis.check_statistics import CheckStatistics, check_statistics
from analysis.error_law import ErrorLaw
from analysis.filter_moments import Moments, StepLaw
from analysis.filter_step import take_in
from analysis.history import Histories
from analysis.state_filter import State

# Laws x wrenches filtered together: what is at hand then stays in the processor's cache.
CELLS_AT_ONCE: Final = 8_000


@dataclass(frozen=True, slots=True)
class Filtered:
    """The filter's answer.

    log_likelihood  (P, N) of all readings of each wrench
    state           after the last check
    knocked         (P, N, C) probability of a knock between each check and the one before
    astray          (P, N, C) probability that each check went astray
    surprise        (P, N, C) each check's squared standardised prediction error, about chi-squared
    surprise_df     (N, C) with as many degrees of freedom: the targets it measured, two at most
    """

    log_likelihood: Array
    state: State
    knocked: Array
    astray: Array
    surprise: Array
    surprise_df: Array


@dataclass(frozen=True, slots=True)
class Prepared:
    """Histories as the filter wants them, made once where many laws are to be tried.

    years, clock  (C, N) since the check before
    """

    histories: Histories
    statistics: CheckStatistics
    years: Array
    clock: Array

    @classmethod
    def of(cls, histories: Histories) -> Self:
        years, clock = (
            np.ascontiguousarray(np.diff(since, axis=1, prepend=since[:, :1]).T)
            for since in (histories.year, histories.clock)
        )
        return cls(histories, check_statistics(histories), years, clock)

    def carry(self, known: Moments, law: StepLaw, c: int) -> None:
        """What is known after a check to just before the check c."""
        if not c:
            return
        shape, years = known.m0.shape, self.years[c]
        known.drift(np.tile(self.clock[c], (shape[0], 1)))
        known.loosen(law.wander0 * years, law.wander1 * years)
        if self.histories.adjusted[:, c].any():
            known.renew_level(law, self.histories.adjusted[:, c])


def filter_histories(
    law: ErrorLaw, histories: Histories | Prepared, *, events: bool = True, surprises: bool = False
) -> Filtered:
    """Run the filter over all checks.

    events     also tell `Filtered.knocked` and `astray`, else left empty
    surprises  also work out `Filtered.surprise`, else left empty
    """
    if isinstance(histories, Prepared):
        return _filtered(law, histories, events=events, surprises=surprises)
    parts = [
        _filtered(law, Prepared.of(part), events=events, surprises=surprises)
        for part in histories.in_turn(max(1, CELLS_AT_ONCE // law.size))
    ]
    return parts[0] if len(parts) == 1 else _together(parts)


def _together(parts: list[Filtered]) -> Filtered:
    def joined(values: list[Array], axis: int) -> Array:
        return np.concatenate(values, axis=axis)

    return Filtered(
        log_likelihood=joined([part.log_likelihood for part in parts], 1),
        state=State(
            level=joined([part.state.level for part in parts], 2),
            rate=joined([part.state.rate for part in parts], 2),
            level_cov=joined([part.state.level_cov for part in parts], 3),
            level_rate_cov=joined([part.state.level_rate_cov for part in parts], 3),
            rate_cov=joined([part.state.rate_cov for part in parts], 3),
        ),
        knocked=joined([part.knocked for part in parts], 1),
        astray=joined([part.astray for part in parts], 1),
        surprise=joined([part.surprise for part in parts], 1),
        surprise_df=joined([part.surprise_df for part in parts], 0),
    )


def _filtered(law: ErrorLaw, given: Prepared, *, events: bool, surprises: bool) -> Filtered:
    histories = given.histories
    shape = law.size, *histories.present.shape
    empty = (*shape[:2], 0)
    knocked, astray = (np.zeros(shape if events else empty) for _ in range(2))
    surprise = np.zeros(shape if surprises else empty)
    log_likelihood = given.statistics.constant(law)
    weights, spread = given.statistics.weights(law), StepLaw.of(law, histories.size)
    known = Moments.at_first(law, histories.size)
    may_knock = bool(law.knocks_per_year.any())
    for c in range(shape[2]):
        given.carry(known, spread, c)
        said = given.statistics.said(weights, c)
        if surprises:
            surprise[:, :, c] = _surprise(Seen(known, spread, said))
        jumped = histories.jumped[:, c]
        certain = np.broadcast_to(jumped, shape[:2]) if jumped.any() else None
        knock = None
        if may_knock and given.years[c].any():
            never = histories.adjusted[:, c] | jumped
            knock = law.knock_chance(np.where(never, 0.0, given.years[c]))
        if certain is not None:
            known.loosen(spread.knock0 * certain, spread.knock1 * certain)
        step = take_in(known, spread, said, knock, certain)
        log_likelihood += step.log_likelihood
        if events and certain is not None:
            knocked[:, :, c] = certain
        if events and step.knocked is not None:
            knocked[:, :, c] += step.knocked
        if events and step.astray is not None:
            astray[:, :, c] = step.astray
    return Filtered(
        log_likelihood=log_likelihood,
        state=_state(known),
        knocked=knocked,
        astray=astray,
        surprise=surprise,
        surprise_df=np.minimum((histories.count > 0).sum(-1), 2).astype(np.float64),
    )


def _surprise(seen: Seen) -> Array:
    """(P, N) squared standardised prediction error r' H^+ (I + H V)^-1 r of a check."""
    quiet = seen.quiet()
    trace = seen.h00 + seen.h11
    largest = 0.5 * (trace + np.sqrt(np.maximum(trace**2 - 4.0 * seen.det, 0.0)))
    both = seen.det > 1e-9 * largest**2  # eigenvalues; else H is of one target, H = H^2 / trace
    of_two = seen.g0 * quiet.u0 + seen.g1 * quiet.u1
    turned0 = seen.h00 * quiet.u0 + seen.h01 * quiet.u1
    turned1 = seen.h01 * quiet.u0 + seen.h11 * quiet.u1
    of_one = seen.r0 * turned0 + seen.r1 * turned1
    scale = np.where(both, seen.det, np.maximum(trace, 1e-150) ** 2)
    return np.asarray(np.where(both, of_two, of_one) / scale)


def _state(k: Moments) -> State:
    return State(
        level=np.stack([k.m0, k.m1]),
        rate=np.stack([k.q0, k.q1]),
        level_cov=np.stack([np.stack([k.l00, k.l01]), np.stack([k.l01, k.l11])]),
        level_rate_cov=np.stack([np.stack([k.c00, k.c01]), np.stack([k.c10, k.c11])]),
        rate_cov=np.stack([np.stack([k.r00, k.r01]), np.stack([k.r01, k.r11])]),
    )
