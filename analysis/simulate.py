"""Fleets with known truth, made by the error law or by departures from it.

For studies of coverage and calibration: what a forecast says is set against what then happens. The
caller brings the random generator, so a study can be repeated.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.history import Histories

CYCLES_A_YEAR: Final = 2000.0  # of a wrench whose pace is 1


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a simulated fleet lives and is checked.

    law             one law (size 1): the truth
    wrenches        how many
    visits          visits to the bench, the first being the card: each number in turn for the
                    next wrench; all have their last visit at the same time but for unevenness
    x, repeats      targets as shares of full scale, and readings at each
    mpd_pct         limit at every target, % of reading
    years_between   mean time between visits
    uneven          0: regular visits; 1: gaps from almost none to twice the mean
    adjust_beyond   adjusted when some mean deviation exceeds this share of the MPD
    tail_df         degrees of freedom of Student's t for check effects and scatter; None: normal
    knocks_per_year, knock_sd   unlogged jumps of the level, (gain, offset)
    missing_target  chance that a target is left out of a check, never all
    pace_sd         0: drift runs with time; else with use, at a pace (mean 1 a year) whose
                    logarithm has this SD between wrenches and half of it between visits
    """

    law: ErrorLaw
    wrenches: int
    visits: tuple[int, ...]
    mpd_pct: float
    x: tuple[float, ...] = (0.2, 0.6, 1.0)
    repeats: int = 5
    years_between: float = 0.5
    uneven: float = 0.0
    adjust_beyond: float = 0.75
    tail_df: float | None = None
    knocks_per_year: float = 0.0
    knock_sd: tuple[float, float] = (2.5, 0.4)
    missing_target: float = 0.0
    pace_sd: float = 0.0


@dataclass(frozen=True, slots=True)
class SimulatedFleet:
    """What the bench saw, and what was true after the last check.

    level, rate  (N, 2) gain and offset
    pace         (N,) years of drift in a year
    """

    recipe: Recipe
    histories: Histories
    level: Array
    rate: Array
    pace: Array


def simulate_fleet(recipe: Recipe, random: np.random.Generator) -> SimulatedFleet:
    """Draw a fleet and its history up to its last visit."""
    law, n = recipe.law, recipe.wrenches
    level = law.level_mean[0] + law.level_sd[0] * random.standard_normal((n, 2))
    rate = law.rate_mean[0] + law.rate_sd[0] * random.standard_normal((n, 2))
    pace = np.exp(recipe.pace_sd * random.standard_normal(n) - recipe.pace_sd**2 / 2)
    year, used = np.zeros(n), np.zeros(n)
    seen: list[_Seen] = []
    visits = np.resize(recipe.visits, n)
    for visit in range(max(recipe.visits)):
        here = visit >= max(recipe.visits) - visits
        known = visit > max(recipe.visits) - visits
        if visit:
            gap = recipe.years_between * (1 + recipe.uneven * random.uniform(-0.95, 0.95, n))
            gap = np.where(known, gap, 0.0)
            year = year + gap
            ran = _used(recipe, pace, gap, random)
            used = used + ran
            level = _lived(recipe, level, rate, gap, ran, random)
        found = _checked(recipe, level, random, year, used, here)
        seen.append(found)
        beyond = np.abs(found.mean_pct) > recipe.adjust_beyond * recipe.mpd_pct
        adjust: Flags = np.asarray(here & (beyond & (found.count > 0)).any(axis=-1))
        new_level = law.adjusted_mean[0] + law.adjusted_sd[0] * random.standard_normal((n, 2))
        level = np.where(adjust[:, None], new_level, level)
        seen.append(replace(_checked(recipe, level, random, year, used, adjust), adjusted=adjust))
    return SimulatedFleet(recipe, _packed(recipe, seen), level, rate, pace)


def share_passing(
    fleet: SimulatedFleet, years_ahead: Array, random: np.random.Generator, futures: int
) -> Array:
    """(N,) share of simulated futures in which an as-found check then passes.

    years_ahead  (N,) after the last check
    """
    passed = np.zeros(fleet.recipe.wrenches)
    for _ in range(futures):
        readings = future_readings(fleet, years_ahead, random)
        passed += (np.abs(readings) <= fleet.recipe.mpd_pct).all(axis=(1, 2))
    return passed / futures


def future_readings(
    fleet: SimulatedFleet, years_ahead: Array, random: np.random.Generator
) -> Array:
    """(N, J, repeats) deviations of one future check of each wrench at the recipe's targets."""
    used = _used(fleet.recipe, fleet.pace, years_ahead, random)
    level = _lived(fleet.recipe, fleet.level, fleet.rate, years_ahead, used, random)
    return _readings(fleet.recipe, level, random)


@dataclass(frozen=True, slots=True)
class _Seen:
    present: Flags
    adjusted: Flags
    year: Array
    cycles: Array
    count: Array
    mean_pct: Array
    squares: Array
    residual_pct: Array


def _noise(recipe: Recipe, shape: tuple[int, ...], random: np.random.Generator) -> Array:
    """Noise of unit variance, normal or with the recipe's tails."""
    df = recipe.tail_df
    if df is None:
        return random.standard_normal(shape)
    return np.asarray(random.standard_t(df, shape) * np.sqrt((df - 2) / df))


def _used(recipe: Recipe, pace: Array, gap: Array, random: np.random.Generator) -> Array:
    """Years of drift in `gap` years of time."""
    return np.asarray(gap * pace * np.exp(recipe.pace_sd / 2 * random.standard_normal(len(gap))))


def _lived(
    recipe: Recipe, level: Array, rate: Array, gap: Array, used: Array, random: np.random.Generator
) -> Array:
    wander = recipe.law.wander_sd[0] * np.sqrt(gap)[:, None] * random.standard_normal(level.shape)
    knocks = random.poisson(recipe.knocks_per_year * gap)[:, None]
    jump = np.asarray(recipe.knock_sd) * np.sqrt(knocks) * random.standard_normal(level.shape)
    return np.asarray(level + rate * used[:, None] + wander + jump)


def _readings(recipe: Recipe, level: Array, random: np.random.Generator) -> Array:
    x = np.asarray(recipe.x)
    met = level + recipe.law.check_sd[0] * _noise(recipe, level.shape, random)
    centre = met[:, :1] + met[:, 1:] / x
    scatter = np.sqrt(recipe.law.scatter_variance(x)[0])
    noise = _noise(recipe, (*centre.shape, recipe.repeats), random)
    return np.asarray(centre[..., None] + scatter[:, None] * noise)


def _checked(
    recipe: Recipe,
    level: Array,
    random: np.random.Generator,
    year: Array,
    used: Array,
    present: Flags,
) -> _Seen:
    readings = _readings(recipe, level, random)
    left_out = random.random(readings.shape[:2]) < recipe.missing_target
    left_out[left_out.all(axis=1)] = False
    measured = present[:, None] & ~left_out
    mean = readings.mean(axis=-1)
    residual = readings - mean[..., None]
    return _Seen(
        present=present,
        adjusted=np.zeros_like(present),
        year=year,
        cycles=CYCLES_A_YEAR * used,
        count=np.where(measured, float(recipe.repeats), 0.0),
        mean_pct=np.where(measured, mean, 0.0),
        squares=np.where(measured, (residual**2).sum(axis=-1), 0.0),
        residual_pct=np.where(measured[..., None], residual, np.nan),
    )


def _packed(recipe: Recipe, seen: list[_Seen]) -> Histories:
    """Checks moved to the front of each wrench's row, as `pack_histories` has them."""
    present = np.stack([s.present for s in seen], axis=1)
    order = np.argsort(~present, axis=1, kind="stable")
    most = int(present.sum(axis=1).max())

    def moved(values: Any) -> Any:
        index = order.reshape(*order.shape, *(1,) * (values.ndim - 2))
        return np.take_along_axis(values, index, axis=1)[:, :most]

    def column(name: str) -> Array:
        return np.asarray(moved(np.stack([getattr(s, name) for s in seen], axis=1)))

    packed_present: Flags = np.asarray(moved(present))
    adjusted: Flags = np.asarray(moved(np.stack([s.adjusted for s in seen], axis=1)))
    year = np.maximum.accumulate(np.where(packed_present, column("year"), 0.0), axis=1)
    count = column("count")
    return Histories(
        wrenches=tuple(f"S-{i}" for i in range(recipe.wrenches)),
        checks=tuple(
            tuple(f"S-{i}/{c}" for c in range(int(k)))
            for i, k in enumerate(packed_present.sum(axis=1))
        ),
        day=year * DAYS_PER_YEAR,
        year=year,
        clock=year,
        cycles=column("cycles"),
        present=packed_present,
        adjusted=adjusted & packed_present,
        jumped=np.zeros_like(packed_present),
        x=np.where(count > 0, np.asarray(recipe.x), 1.0),
        count=count,
        mean_pct=column("mean_pct"),
        squares=column("squares"),
        residual_pct=column("residual_pct"),
    )
