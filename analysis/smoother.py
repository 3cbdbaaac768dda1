"""Where one wrench stood at any time of its history, from all its readings before and after.

The state filter forwards over the checks and the wanted times together, then the fixed-interval
smoother backwards, for each law of the family.
Reference: H. Rauch, F. Tung, C. Striebel, AIAA Journal 3 (1965) 1445-1450.
"""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.history import Histories
from analysis.state_filter import (
    State,
    advance,
    check_information,
    initial_state,
    loosen_level,
    observe,
    reset_level,
)


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Level (gain, offset) of one wrench on T days: means (K, T, 2), covariances (K, T, 2, 2)."""

    level: Array
    level_cov: Array


def smooth(law: ErrorLaw, history: Histories, days: Array) -> Smoothed:
    """Smoothed levels of a single wrench (`history.size` 1) on `days` (T,), in order of time.

    A day before the first check has no state: it must not be asked for. At a check's own instant
    the level after its adjustment, if any, is given.
    """
    present = history.present[0]
    check_days = history.day[0, present]
    # Checks first among equal days, so that a wanted day sees the adjustment at its instant.
    merged = np.concatenate([check_days, days])
    order = np.lexsort((np.concatenate([np.zeros(len(check_days)), np.ones(len(days))]), merged))
    said = check_information(law, history)

    state = initial_state(law, 1)
    predicted: list[State] = []
    filtered: list[State] = []
    keeps_level: list[bool] = []
    previous = merged[order[0]]
    for position, index in enumerate(order):
        is_check = index < len(check_days)
        if position:
            years = np.array([(merged[index] - previous) / DAYS_PER_YEAR])
            state = advance(state, law, years)
        reset = bool(is_check and history.adjusted[0, index])
        if reset:
            state = reset_level(state, law, np.array([True]))
        if is_check and history.jumped[0, index]:
            state = loosen_level(state, law, np.ones((1, 1), dtype=np.bool_))
        predicted.append(state)
        keeps_level.append(not reset)
        if is_check:
            state, _ = observe(state, law, said.h[:, :, index], said.H[:, :, index])
        filtered.append(state)
        previous = merged[index]

    mean, cov = _joined(filtered[-1])
    wanted: dict[int, tuple[Array, Array]] = {}
    for position in range(len(order) - 1, -1, -1):
        if position < len(order) - 1:
            years_on = (merged[order[position + 1]] - merged[order[position]]) / DAYS_PER_YEAR
            transition = np.eye(4)
            transition[0, 2] = transition[1, 3] = years_on
            if not keeps_level[position + 1]:
                transition[:2] = 0.0
            here_mean, here_cov = _joined(filtered[position])
            next_mean, next_cov = _joined(predicted[position + 1])
            gain = np.linalg.solve(next_cov, transition @ here_cov).swapaxes(-1, -2)
            mean = here_mean + (gain @ (mean - next_mean)[..., None])[..., 0]
            cov = here_cov + gain @ (cov - next_cov) @ gain.swapaxes(-1, -2)
        if order[position] >= len(check_days):
            wanted[int(order[position]) - len(check_days)] = (mean[..., :2], cov[..., :2, :2])
    return Smoothed(
        level=np.stack([wanted[i][0] for i in range(len(days))], axis=1),
        level_cov=np.stack([wanted[i][1] for i in range(len(days))], axis=1),
    )


def _joined(state: State) -> tuple[Array, Array]:
    """(K, 4) mean and (K, 4, 4) covariance of (level, rate) of the single wrench."""
    mean = np.concatenate([state.level, state.rate], axis=-1)[:, 0]
    top = np.concatenate([state.level_cov, state.level_rate_cov], axis=-1)
    bottom = np.concatenate([state.level_rate_cov.swapaxes(-1, -2), state.rate_cov], axis=-1)
    return mean, np.concatenate([top, bottom], axis=-2)[:, 0]
