"""Possible pasts of one wrench: joint draws of its level from a check on, given all its readings.

For each law of the family the state filter runs forwards over the checks; from the last one back,
level and rate are drawn check by check, each given what was drawn after it (forward filtering,
backward sampling). Given the levels at two checks and the rate, the way between them is a Brownian
bridge about the line of the drift, for gain and offset apart. Which branch each check took (no
event, a knock before it, gone astray) is drawn with the level, from the weights of the filter and
the likelihood of what was drawn later; a knock falls on a day of its stretch, each day as likely as
another. After the last check the level runs free, as `analysis.outlook` has it.

Approximate only where the filter is: its branches are merged after each check. Without events every
path is a draw from the exact joint distribution.

References: S. Fruehwirth-Schnatter, J. Time Series Analysis 15 (1994) 183-202, and C. K. Carter,
R. Kohn, Biometrika 81 (1994) 541-553 (backward sampling); C.-J. Kim, J. Econometrics 60 (1994)
1-22 (with merged branches).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR, STRAY_FACTOR, ErrorLaw
from analysis.family import FamilyFit
from analysis.history import Histories
from analysis.history_filter import filter_histories
from analysis.state_filter import (
    State,
    advance,
    branched,
    check_information,
    initial_state,
    merged,
    observe,
    pair,
    reset_level,
)
from analysis.time_basis import clock_on

PATHS_PER_LAW: Final = 32
_FLAT: Final = 1e-12  # % squared
_MOST_STEPS: Final = 800  # of the grid: days, or longer steps where the stretch is longer


@dataclass(frozen=True, slots=True)
class LevelPaths:
    """K laws by R equally likely paths each, on T days in order of time.

    law    the K laws
    day    (T,) UTC days: those of the grid, and each check's instant
    level  (K, R, T, 2) gain and offset, without the effect of a check or pull
    """

    law: ErrorLaw
    day: Array
    level: Array


def draw_level_paths(
    member: FamilyFit,
    first: int,
    last: int,
    until_day: float,
    random: np.random.Generator,
    paths_per_law: int = PATHS_PER_LAW,
) -> LevelPaths:
    """Paths of a family of one member (`of_rows`), from its check `first` on.

    first      index of the check that the paths begin at: just after it, after an adjustment too
    last       index of the check that they end at, just as it found the wrench; where it is the
               history's last one, they go on to `until_day`
    until_day  after the last check; one before it is that check's day

    All readings count, also those after the end. Raises ValueError where `last` is before `first`.
    """
    history, law = member.histories, member.law
    if last < first:
        raise ValueError("paths end before they begin")
    checks = int(history.present[0].sum())
    branches = _Branches.of(law, history)
    rate, levels, took = _drawn_checks(law, history, branches, first, checks, paths_per_law, random)
    step = max(1.0, (max(until_day, history.day[0, last]) - history.day[0, first]) / _MOST_STEPS)
    days = [history.day[0, [first]]]
    level = [levels[first][:, :, None]]
    for c in range(first + 1, last + 1):
        grid = _grid(history.day[0, c - 1], history.day[0, c], step)
        way = _Way.of(law, history, member, grid)
        knocked = took[c] == _KNOCKED
        ends = None if history.adjusted[0, c] else levels[c]
        between = _bridged(way, rate, levels[c - 1], ends, knocked, random)
        if history.adjusted[0, c]:
            between = np.concatenate([between, levels[c][:, :, None]], axis=2)
            grid = np.append(grid, grid[-1])
        days.append(grid[1:])
        level.append(between[:, :, 1:])
    if last == checks - 1 and until_day > history.day[0, last]:
        grid = _grid(history.day[0, last], until_day, step)
        way = _Way.of(law, history, member, grid)
        chance = law.knock_chance(np.array((until_day - history.day[0, last]) / DAYS_PER_YEAR))
        knocked = random.random(levels[last].shape[:2]) < chance[:, None]
        ahead = _bridged(way, rate, levels[last], None, knocked, random)
        days.append(grid[1:])
        level.append(ahead[:, :, 1:])
    return LevelPaths(law=law, day=np.concatenate(days), level=np.concatenate(level, axis=2))


_KNOCKED: Final = 1  # index of a branch: no event, a knock, a stray check


@dataclass(frozen=True, slots=True)
class _Branches:
    """Knowledge after each of C checks in the three branches that may have led there.

    mean    C of (K, 3, 4) level and rate
    cov     C of (K, 3, 4, 4)
    weight  C of (K, 3)
    merged  (K, 1, 4) and (K, 1, 4, 4) after the last check
    """

    mean: list[Array]
    cov: list[Array]
    weight: list[Array]
    merged: tuple[Array, Array]

    @classmethod
    def of(cls, law: ErrorLaw, history: Histories) -> "_Branches":
        said = check_information(law, history)
        events = filter_histories(law, history)
        check_variance, knock_variance = pair(law.check_sd**2), pair(law.knock_sd**2)
        effect = np.stack(
            [check_variance, check_variance, STRAY_FACTOR**2 * check_variance], axis=1
        )
        state = initial_state(law, 1)
        means: list[Array] = []
        covs: list[Array] = []
        weights: list[Array] = []
        for c in range(int(history.present[0].sum())):
            if c:
                years = history.year[:, c] - history.year[:, c - 1]
                state = advance(state, law, years, history.clock[:, c] - history.clock[:, c - 1])
                if history.adjusted[0, c]:
                    state = reset_level(state, law, np.array([True]))
            h, information = said.h[:, None, ..., c], said.H[:, :, None, ..., c]
            branches, _ = observe(branched(state, knock_variance), effect, h, information)
            weight = np.stack([events.knocked[..., c], events.astray[..., c]])
            quiet = np.maximum(1.0 - weight.sum(axis=0, keepdims=True), 0.0)
            weight = np.concatenate([quiet, weight])
            state = merged(branches, weight)
            mean, cov = _joined(branches)
            means.append(mean)
            covs.append(cov)
            weights.append(np.moveaxis(weight[..., 0], 0, -1))
        one = State(
            level=state.level[:, None],
            rate=state.rate[:, None],
            level_cov=state.level_cov[:, :, None],
            level_rate_cov=state.level_rate_cov[:, :, None],
            rate_cov=state.rate_cov[:, :, None],
        )
        return cls(means, covs, weights, _joined(one))


def _joined(state: State) -> tuple[Array, Array]:
    """(K, B, 4) and (K, B, 4, 4) of B branches of a single wrench."""
    cross = state.level_rate_cov
    mean = np.concatenate([state.level, state.rate])[..., 0]
    top = np.concatenate([state.level_cov, cross], axis=1)
    bottom = np.concatenate([cross.swapaxes(0, 1), state.rate_cov], axis=1)
    cov = np.concatenate([top, bottom])[..., 0]
    return mean.transpose(2, 1, 0), cov.transpose(3, 2, 0, 1)


def _drawn_checks(
    law: ErrorLaw,
    history: Histories,
    branches: _Branches,
    first: int,
    checks: int,
    paths: int,
    random: np.random.Generator,
) -> tuple[Array, dict[int, Array], dict[int, NDArray[np.intp]]]:
    """The rate (K, R, 2), and by check from the last back the level (K, R, 2) and branch (K, R)."""
    shape = law.size, paths
    only = np.zeros(shape, dtype=np.intp)
    # What is known after the last check is what every forecast begins from: its branches merged.
    mean, cov = branches.merged
    rate = _normal(_shared(mean[..., 2:], only), _shared(cov[..., 2:, 2:], only), random)
    centre, spread = _level_given(rate, mean, cov)
    levels = {checks - 1: _normal(_own(centre, only), _shared(spread, only), random)}
    took: dict[int, NDArray[np.intp]] = {}
    for c in range(checks - 1, first - 1, -1):
        mean, cov, weight = branches.mean[c], branches.cov[c], branches.weight[c]
        centre, spread = _level_given(rate, mean, cov)
        with np.errstate(divide="ignore"):  # a branch that has no weight is never taken
            score = np.log(weight)[:, None] + _log_density(
                rate[:, :, None] - mean[:, None, :, 2:], cov[..., 2:, 2:]
            )
        if c in levels:
            took[c] = _chosen(score + _log_density(levels[c][:, :, None] - centre, spread), random)
            continue
        if history.adjusted[0, c + 1]:
            took[c] = _chosen(score, random)
            levels[c] = _normal(_own(centre, took[c]), _shared(spread, took[c]), random)
            continue
        years = history.year[0, c + 1] - history.year[0, c]
        ran = history.clock[0, c + 1] - history.clock[0, c]
        knocked = (took[c + 1] == _KNOCKED)[..., None]
        moved = (law.wander_sd**2 * years)[:, None] + np.where(
            knocked, (law.knock_sd**2)[:, None], 0.0
        )  # (K, R, 2) variances of the way to the next check
        away = (levels[c + 1] - rate * ran)[:, :, None] - centre
        total = spread[:, None] + (moved[..., None] * np.eye(2))[:, :, None]
        took[c] = _chosen(score + _log_density(away, total), random)
        centre, spread = _own(centre, took[c]), _shared(spread, took[c])
        pull = np.linalg.solve(_own(total, took[c]), spread).swapaxes(-1, -2)
        centre = centre + np.einsum("krij,krj->kri", pull, _own(away, took[c]))
        levels[c] = _normal(centre, spread - pull @ spread, random)
    return rate, levels, took


def _level_given(rate: Array, mean: Array, cov: Array) -> tuple[Array, Array]:
    """Mean (K, R, B, 2) and covariance (K, B, 2, 2) of the level given the rate (K, R, 2), in each
    of B branches of (K, B, 4) and (K, B, 4, 4).
    """
    gain = np.linalg.solve(cov[..., 2:, 2:], cov[..., 2:, :2]).swapaxes(-1, -2)
    away = rate[:, :, None] - mean[:, None, :, 2:]
    centre = mean[:, None, :, :2] + np.einsum("kbij,krbj->krbi", gain, away)
    return centre, cov[..., :2, :2] - gain @ cov[..., 2:, :2]


def _chosen(score: Array, random: np.random.Generator) -> NDArray[np.intp]:
    """(K, R) indices of the last axis, drawn with the logarithms of their weights."""
    gumbel = -np.log(random.exponential(size=score.shape))
    return np.asarray((score + gumbel).argmax(axis=-1))


def _shared(values: Array, branch: NDArray[np.intp]) -> Array:
    """Of values (K, B, ...) that all paths of a law share, those of the branches (K, R)."""
    return np.asarray(values[np.arange(len(values))[:, None], branch])


def _own(values: Array, branch: NDArray[np.intp]) -> Array:
    """Of values (K, R, B, ...), those of the branches (K, R)."""
    laws, paths = np.indices(branch.shape)
    return np.asarray(values[laws, paths, branch])


def _log_density(away: Array, cov: Array) -> Array:
    """Normal log density but for its constant: (K, R, 3, 2) away, (K, 3, 2, 2) or with R."""
    if cov.ndim == 4:
        cov = cov[:, None]
    # Rounding leaves no sign to what is known to 1e-6 %; no reading resolves it.
    a, d = np.maximum(cov[..., 0, 0], _FLAT), np.maximum(cov[..., 1, 1], _FLAT)
    b = cov[..., 0, 1]
    determinant = np.maximum(a * d - b * b, _FLAT * a * d)
    u, v = away[..., 0], away[..., 1]
    return np.asarray(
        -0.5 * (np.log(determinant) + (d * u * u - 2 * b * u * v + a * v * v) / determinant)
    )


def _normal(mean: Array, cov: Array, random: np.random.Generator) -> Array:
    """Draws (K, R, 2) with covariances (K, R, 2, 2), which may be flat to rounding."""
    first = np.sqrt(np.maximum(cov[..., 0, 0], 0.0))
    across = np.where(first > 0, cov[..., 0, 1] / np.where(first > 0, first, 1.0), 0.0)
    second = np.sqrt(np.maximum(cov[..., 1, 1] - across**2, 0.0))
    z = random.standard_normal(mean.shape)
    return np.asarray(
        mean + np.stack([first * z[..., 0], across * z[..., 0] + second * z[..., 1]], axis=-1)
    )


def _grid(begin: float, end: float, step: float) -> Array:
    """Days from `begin` to `end`, both included, no further apart than `step`."""
    return np.linspace(begin, end, max(2, int(np.ceil((end - begin) / step)) + 1))


@dataclass(frozen=True, slots=True)
class _Way:
    """What moves the level on a stretch: years (n,) and clock (n,) since its begin.

    wander_sd, knock_sd  (K, 2)
    clock_sd             doubt about a year of the clock ahead; zero between checks
    """

    years: Array
    clock: Array
    wander_sd: Array
    knock_sd: Array
    clock_sd: float

    @classmethod
    def of(cls, law: ErrorLaw, history: Histories, member: FamilyFit, grid: Array) -> "_Way":
        clock = clock_on(history, member.basis, member.typical_pace, grid)
        ahead = grid[0] >= history.day[0, -1]
        return cls(
            years=(grid - grid[0]) / DAYS_PER_YEAR,
            clock=clock - clock[0],
            wander_sd=law.wander_sd,
            knock_sd=law.knock_sd,
            clock_sd=float(member.clock_sd_per_year[0]) if ahead else 0.0,
        )


def _bridged(
    way: _Way,
    rate: Array,
    begin: Array,
    end: Array | None,
    knocked: Flags,
    random: np.random.Generator,
) -> Array:
    """(K, R, n, 2) levels on the days of a stretch from `begin` (K, R, 2) on.

    end      (K, R, 2) levels there; None: free to go where drift, wander and knock lead
    knocked  (K, R) whether a knock falls into the stretch
    """
    years = way.years
    sd = way.wander_sd[:, None, None] * np.sqrt(np.diff(years))[:, None]  # (K, 1, n - 1, 2)
    steps = sd * random.standard_normal((*begin.shape[:2], len(years) - 1, 2))
    wander = np.concatenate([np.zeros((*begin.shape[:2], 1, 2)), steps.cumsum(axis=2)], axis=2)
    knock_variance = np.where(knocked[..., None], (way.knock_sd**2)[:, None], 0.0)
    ran = way.clock + way.clock_sd * years * random.standard_normal((*begin.shape[:2], 1))
    drift = rate[:, :, None] * ran[..., None]
    if end is None:
        jump = np.sqrt(knock_variance) * random.standard_normal(begin.shape)
    else:
        variance = (way.wander_sd**2 * years[-1])[:, None] + knock_variance
        gone = end - begin - drift[:, :, -1]
        share = np.where(variance > 0, knock_variance / np.where(variance > 0, variance, 1.0), 0.0)
        left = np.sqrt(np.maximum(share * (variance - knock_variance), 0.0))
        jump = share * gone + left * random.standard_normal(begin.shape)
        # The bridge: what the wander misses of its end is made up evenly over time.
        missing = gone - jump - wander[:, :, -1]
        along = years / years[-1] if years[-1] > 0 else np.ones_like(years)
        along[0] = 0.0
        wander = wander + along[:, None] * missing[:, :, None]
    fell = random.random(knocked.shape) * years[-1]
    after = (years >= fell[..., None]) & (np.arange(len(years)) > 0)
    return np.asarray(begin[:, :, None] + drift + wander + after[..., None] * jump[:, :, None])
