"""Where one wrench stood at any time of its history, from all its readings before and after.

The state filter forwards over the checks and the wanted times together, then the fixed-interval
smoother backwards, for each law of the family. Knocks and stray checks enter by the probabilities
that the filter gave them: a knock loosens the level, a stray check speaks less, each in proportion.
Reference: H. Rauch, F. Tung, C. Striebel, AIAA Journal 3 (1965) 1445-1450.
"""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, STRAY_FACTOR, ErrorLaw
from analysis.history import Histories
from analysis.history_filter import filter_histories
from analysis.state_filter import (
    State,
    advance,
    check_information,
    initial_state,
    loosen_level,
    observe,
    pair,
    reset_level,
)


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Level (gain, offset) of one wrench on T days: means (K, T, 2), covariances (K, T, 2, 2)."""

    level: Array
    level_cov: Array


def smooth(law: ErrorLaw, history: Histories, days: Array, clock: Array) -> Smoothed:
    """Smoothed levels of a single wrench (`history.size` 1) on `days` (T,), in order of time.

    clock  (T,) the history's clock on those days

    At a check's own instant the level after its adjustment, if any, is given.

    Raises ValueError for a day before the first check, where the wrench has no state.
    """
    if (days < history.day[0, 0]).any():
        raise ValueError("a level before the first check of a wrench is not known")
    checks = int(history.present[0].sum())
    # Checks first among equal days, so that a wanted day sees the adjustment at its instant.
    day = np.concatenate([history.day[0, :checks], days])
    ticks = np.concatenate([history.clock[0, :checks], clock])
    order = np.lexsort((np.arange(len(day)), day)).tolist()
    years = np.diff(day[order], prepend=day[order[0]]) / DAYS_PER_YEAR
    ticked = np.diff(ticks[order], prepend=ticks[order[0]])

    said = check_information(law, history)
    events = filter_histories(law, history)
    check_variance, knock_variance = pair(law.check_sd**2), pair(law.knock_sd**2)
    state = initial_state(law, 1)
    predicted: list[State] = []
    filtered: list[State] = []
    for position, index in enumerate(order):
        state = advance(state, law, years[[position]], ticked[[position]])
        if index < checks:
            if history.adjusted[0, index]:
                state = reset_level(state, law, np.array([True]))
            state = loosen_level(state, events.knocked[:, :, index] * knock_variance)
        predicted.append(state)
        if index < checks:
            astray = events.astray[:, :, index]
            effect = check_variance * (1 + (STRAY_FACTOR**2 - 1) * astray)
            state, _ = observe(state, effect, said.h[..., index], said.H[..., index])
        filtered.append(state)

    mean, cov = _joined(filtered[-1])
    means: dict[int, Array] = {}
    covs: dict[int, Array] = {}
    for position in range(len(order) - 1, -1, -1):
        if position < len(order) - 1:
            following = order[position + 1]
            transition = np.eye(4)
            transition[0, 2] = transition[1, 3] = ticked[position + 1]
            if following < checks and history.adjusted[0, following]:
                transition[:2] = 0.0
            here_mean, here_cov = _joined(filtered[position])
            next_mean, next_cov = _joined(predicted[position + 1])
            gain = np.linalg.solve(next_cov, transition @ here_cov).swapaxes(-1, -2)
            mean = here_mean + (gain @ (mean - next_mean)[..., None])[..., 0]
            cov = here_cov + gain @ (cov - next_cov) @ gain.swapaxes(-1, -2)
        means[order[position]], covs[order[position]] = mean[..., :2], cov[..., :2, :2]
    wanted = range(checks, checks + len(days))
    return Smoothed(
        level=np.stack([means[i] for i in wanted], axis=1),
        level_cov=np.stack([covs[i] for i in wanted], axis=1),
    )


def _joined(state: State) -> tuple[Array, Array]:
    """(K, 4) mean and (K, 4, 4) covariance of (level, rate) of the single wrench."""
    mean = np.concatenate([state.level, state.rate])[..., 0]
    top = np.concatenate([state.level_cov, state.level_rate_cov], axis=1)
    bottom = np.concatenate([state.level_rate_cov.swapaxes(0, 1), state.rate_cov], axis=1)
    cov = np.concatenate([top, bottom])[..., 0]
    return np.moveaxis(mean, 0, -1), np.moveaxis(cov, (0, 1), (-2, -1))
