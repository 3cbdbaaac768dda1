"""When a wrench must be checked again: the first day its pass probability is too low, or policy.

The pass probability falls with drift, its doubt and wander. The statistical due date is its first
crossing of the shop's reliability target; the caps of the policy (months, cycles) can only bring
the date forward, and a floor keeps a freshly passed wrench from coming back at once. A whole
family is solved together: a coarse grid finds the interval of the crossing, straight lines through
the normal quantiles the day.
Caps of 12 months or 5,000 cycles: ISO 6789-1:2017, the default for a user without a rule (from
memory).
"""

import calendar
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.family import FamilyFit
from analysis.lattice_search import first_negative
from analysis.outlook import last_days, outlook
from analysis.pass_days import pass_probability_on
from analysis.pass_probability import CheckPlan, mean_over_laws, pass_probability, quantile
from analysis.use_since import UseSince, cap_days

_GRID_DAYS: Final = 60.0
_STEPS_OF_GRID: Final = 128  # within half a day
STEP_DAYS: Final = _GRID_DAYS / _STEPS_OF_GRID
_WAITS_DAYS: Final = (0, 30, 60, 90)
_INTERVAL: Final = (0.05, 0.95)


class Bound(StrEnum):
    """What set a due date."""

    RELIABILITY = "reliability"
    MONTHS = "months"
    CYCLES = "cycles"
    FLOOR = "floor"


@dataclass(frozen=True, slots=True)
class DuePolicy:
    """The shop's rules for due dates."""

    reliability_target: float
    cap_months: int
    cap_cycles: int
    floor_days: int


@dataclass(frozen=True, slots=True)
class Wait:
    """Chance that a check some days after `as_of` would pass."""

    days: int
    pass_probability: float


@dataclass(frozen=True, slots=True)
class Due:
    """A due date and what bound it. Days are UTC days since 1970-01-01.

    due_day              the answer
    bound_by             what set it
    last_check_day       what the caps count from
    reliability_day      first day the pass probability is below the target; None: later than cap
    reliability_day_interval  90 % range of that day over the family's possible laws, capped at
                         the months cap: what the family does not yet know about itself
    months_day           the cap in months
    cycles_day           the cap in cycles: when the use reached it, or will at the wrench's own
                         pace; None: neither is known
    use                  the cycles since the last check, and that pace
    waits                pass probability now and after waiting
    pass_probability_at_due  at `due_day`
    """

    due_day: float
    bound_by: Bound
    last_check_day: float
    reliability_day: float | None
    reliability_day_interval: tuple[float, float]
    months_day: float
    cycles_day: float | None
    use: UseSince
    waits: tuple[Wait, ...]
    pass_probability_at_due: float


def add_months(day: float, months: int) -> float:
    """The same day of the month, `months` later; the month's last day where it has no such day."""
    start = date(1970, 1, 1) + timedelta(days=int(np.floor(day)))
    year, month0 = divmod(start.year * 12 + start.month - 1 + months, 12)
    last = calendar.monthrange(year, month0 + 1)[1]
    end = date(year, month0 + 1, min(start.day, last))
    return float((end - date(1970, 1, 1)).days)


@dataclass(frozen=True, slots=True)
class Caps:
    """What the policy says about N wrenches: (N,) days.

    months_day  the cap in months
    cycles_day  the cap in cycles by each one's use; infinity: not known when
    floor_day   reliability alone never brings a wrench back before; policy's caps do
    """

    months_day: Array
    cycles_day: Array
    floor_day: Array

    def bounded(self, crossing: Array) -> tuple[Array, tuple[Bound, ...]]:
        """Due days and what set each, from the (N,) days of the crossing; infinity: none."""
        reliable = np.maximum(crossing, self.floor_day)
        candidates = np.stack([reliable, self.months_day, self.cycles_day])
        chosen = candidates.argmin(axis=0)
        bounds = (Bound.RELIABILITY, Bound.MONTHS, Bound.CYCLES)
        return candidates.min(axis=0), tuple(
            Bound.FLOOR if i == 0 and held else bounds[i]
            for held, i in zip(crossing < self.floor_day, chosen, strict=True)
        )


def months_caps(start: Array, policy: DuePolicy) -> Array:
    """(N,) days of the cap in months: `add_months` for all of them."""
    day = np.floor(start).astype(np.int64).astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    later = month + policy.cap_months
    first, after = later.astype("datetime64[D]"), (later + 1).astype("datetime64[D]")
    last_of_month = after - np.timedelta64(1, "D")
    capped = np.minimum(first + (day - month.astype("datetime64[D]")), last_of_month)
    return np.asarray(capped.astype(np.int64), dtype=np.float64)


def policy_caps(start: Array, policy: DuePolicy, uses: Sequence[UseSince]) -> Caps:
    """The caps of wrenches last checked on the days `start` (N,), and used since as in `uses`."""
    return Caps(
        months_day=months_caps(start, policy),
        cycles_day=cap_days(uses, policy.cap_cycles),
        floor_day=start + policy.floor_days,
    )


def first_crossings(
    family: FamilyFit, plan: CheckPlan, mpd_pct: Array, target: float, horizon_days: Array
) -> tuple[Array, Array]:
    """First day after the last check on which the pass probability is below `target`.

    mpd_pct       (N, J)
    horizon_days  (N,) how long after the last check to look
    Returns (N,) for the average over the laws and (K, N) for each law; infinity: not within the
    horizon. A wrench below the target already at its last check crosses on that day.
    """
    steps = _grid_steps(horizon_days)
    days = last_days(family) + steps[:, None]
    by_law = pass_probability_on(family, days, plan, mpd_pct)
    return _crossings(family, plan, mpd_pct, target, horizon_days, by_law)


def _grid_steps(horizon_days: Array) -> Array:
    """(T,) days after the last check, up to the longest horizon at least."""
    return np.arange(0.0, float(horizon_days.max(initial=0.0)) + _GRID_DAYS, _GRID_DAYS)


def _crossings(
    family: FamilyFit,
    plan: CheckPlan,
    mpd_pct: Array,
    target: float,
    horizon_days: Array,
    by_law: Array,
) -> tuple[Array, Array]:
    """`first_crossings` from the pass probabilities on the grid, (T, K, N)."""
    start, aim = last_days(family), quantile(np.asarray(target))

    def above(chance: Array) -> Array:
        return quantile(chance) - aim

    average = above(mean_over_laws(by_law))
    first = _first_below(average, 0.0)
    days = np.where(first == 0, 0.0, np.inf)
    (rows,) = np.nonzero((first > 0) & (first < len(average)))

    def between(some: NDArray[np.intp], steps: Array) -> Array:
        chosen = rows[some]
        view = outlook(family.of_rows(chosen.tolist()), start[chosen] + steps * STEP_DAYS)
        return above(pass_probability(view, plan, mpd_pct[chosen]))

    high = (first[rows] * _STEPS_OF_GRID).astype(np.float64)
    found = first_negative(
        between,
        high - _STEPS_OF_GRID,
        high,
        average[first[rows] - 1, rows],
        average[first[rows], rows],
    )
    days[rows] = found * STEP_DAYS
    days = np.where(days <= horizon_days, days, np.inf)
    each = _interpolated_crossing(by_law, _grid_steps(horizon_days), target)
    return start + days, start + np.where(each <= horizon_days, each, np.inf)


def _first_below(probability: Array, target: float) -> NDArray[np.intp]:
    """Index along the first axis of the first value below the target; its length if none."""
    below = probability < target
    return np.asarray(np.where(below.any(axis=0), below.argmax(axis=0), probability.shape[0]))


def _interpolated_crossing(probability: Array, steps: Array, target: float) -> Array:
    """Crossing by a straight line between grid days: fine for a spread, not for the answer."""
    first = _first_below(probability, target)
    inner = np.clip(first, 1, len(steps) - 1)
    before = np.take_along_axis(probability, inner[None] - 1, axis=0)[0]
    after = np.take_along_axis(probability, inner[None], axis=0)[0]
    share = np.clip((before - target) / np.maximum(before - after, 1e-12), 0.0, 1.0)
    days = steps[inner - 1] + share * _GRID_DAYS
    return np.asarray(np.where(first == 0, 0.0, np.where(first < len(steps), days, np.inf)))


@dataclass(frozen=True, slots=True)
class Outlooks:
    """What the due dates of N wrenches rest on and recorded work does not change.

    crossing  (N,) first day below the reliability target; infinity: not before the months cap
    interval  (2, N) 90 % range of that day over the laws, capped there
    waits     (W, N) pass probability now and after waiting
    """

    crossing: Array
    interval: Array
    waits: Array


def outlooks(
    family: FamilyFit, plan: CheckPlan, mpd_pct: Array, policy: DuePolicy, as_of_day: float
) -> Outlooks:
    """The costly part of `due_dates`; arguments as there."""
    start = last_days(family)
    months_day = months_caps(start, policy)
    horizon = months_day - start
    on_grid = start + _grid_steps(horizon)[:, None]
    waiting = np.maximum(start, as_of_day + np.array(_WAITS_DAYS, dtype=np.float64)[:, None])
    by_law = pass_probability_on(family, np.concatenate([on_grid, waiting]), plan, mpd_pct)
    average, each = _crossings(
        family, plan, mpd_pct, policy.reliability_target, horizon, by_law[: len(on_grid)]
    )
    return Outlooks(
        crossing=average,
        interval=np.quantile(np.minimum(each, months_day), _INTERVAL, axis=0),
        waits=mean_over_laws(by_law[len(on_grid) :]),
    )


def due_dates(
    family: FamilyFit,
    plan: CheckPlan,
    mpd_pct: Array,
    policy: DuePolicy,
    uses: Sequence[UseSince],
    seen: Outlooks,
) -> tuple[Due, ...]:
    """Due date of every member of a family in its direction.

    mpd_pct  (N, J) for the plan's targets
    uses     N uses since the last check
    seen     `outlooks` of the same members under the same plan and policy
    """
    start = last_days(family)
    caps = policy_caps(start, policy, uses)
    due_day, bound_by = caps.bounded(seen.crossing)
    at_due = pass_probability(outlook(family, due_day), plan, mpd_pct)
    return tuple(
        Due(
            due_day=float(due_day[i]),
            bound_by=bound_by[i],
            last_check_day=float(start[i]),
            reliability_day=float(seen.crossing[i]) if np.isfinite(seen.crossing[i]) else None,
            reliability_day_interval=(float(seen.interval[0, i]), float(seen.interval[1, i])),
            months_day=float(caps.months_day[i]),
            cycles_day=float(caps.cycles_day[i]) if np.isfinite(caps.cycles_day[i]) else None,
            use=uses[i],
            waits=tuple(
                Wait(days=days, pass_probability=float(seen.waits[j, i]))
                for j, days in enumerate(_WAITS_DAYS)
            ),
            pass_probability_at_due=float(at_due[i]),
        )
        for i in range(len(start))
    )
