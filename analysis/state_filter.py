"""Exact Gaussian filtering of the error law for many wrenches and parameter sets at once.

The state of a wrench is (level, rate), each a pair (gain, offset). Between checks the level moves
by rate times time plus Brownian wander; an adjustment draws a new level and keeps the rate. A
check with J targets says about w = level + effect of the check

    log p(readings | w) = constant + h'w - w'Hw / 2,     H = sum_j n_j z_j z_j' / v_j,  z = (1, 1/x)

so any set of targets, even a single one, is two numbers h and a 2 x 2 matrix H. With the level
known as N(m, L) before the check and S the covariance of its effect, and V = L + S,

    D  = H (I + V H)^-1                      information gained about w
    m' = m + L (I + H V)^-1 (h - H m),       L' = L - L D L,   and so on for the rates

and the readings have the log likelihood  constant - log det(I + H V)/2 + h'm - m'Hm/2
+ r' V (I + H V)^-1 r / 2  with  r = h - H m.

Reference: J. Durbin, S. J. Koopman, Time Series Analysis by State Space Methods, 2nd ed. (2012),
section 4.3 (Kalman filter); the information form of the observation is the same update by the
matrix inversion lemma.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array, Flags
from analysis.error_law import ErrorLaw
from analysis.history import Histories

JUMP_TO_LEVEL_SD: Final = 3.0  # a choice: a knock worth finding moves a wrench out of its family


@dataclass(frozen=True, slots=True)
class State:
    """Gaussian knowledge of level and rate: P parameter sets by N wrenches.

    level, rate             (P, N, 2) means
    level_cov, rate_cov     (P, N, 2, 2)
    level_rate_cov          (P, N, 2, 2) rows are levels, columns are rates
    """

    level: Array
    rate: Array
    level_cov: Array
    level_rate_cov: Array
    rate_cov: Array


@dataclass(frozen=True, slots=True)
class Filtered:
    """The filter's answer.

    log_likelihood  (P, N) of all readings of each wrench
    state           after the last check
    surprise        (P, N, C) each check's squared standardised prediction error, about chi-squared
    surprise_df     (N, C) with as many degrees of freedom: the targets it measured, two at most
    """

    log_likelihood: Array
    state: State
    surprise: Array
    surprise_df: Array


def diagonal(values: Array) -> Array:
    """(..., 2) to (..., 2, 2) diagonal matrices."""
    return np.asarray(values[..., :, None] * np.eye(2))


def initial_state(law: ErrorLaw, wrenches: int) -> State:
    """Knowledge of N wrenches of the family before their first check."""
    shape = (law.size, wrenches, 2)
    zeros = np.zeros((*shape, 2))
    return State(
        level=np.broadcast_to(law.level_mean[:, None], shape).copy(),
        rate=np.broadcast_to(law.rate_mean[:, None], shape).copy(),
        level_cov=zeros + diagonal(law.level_sd**2)[:, None],
        level_rate_cov=zeros.copy(),
        rate_cov=zeros + diagonal(law.rate_sd**2)[:, None],
    )


def advance(state: State, law: ErrorLaw, years: Array) -> State:
    """Knowledge `years` (N,) later, no check in between."""
    dt = years[None, :, None]
    dt2 = dt[..., None]
    cross = state.level_rate_cov
    wander = diagonal(law.wander_sd**2)[:, None] * dt2
    return State(
        level=state.level + state.rate * dt,
        rate=state.rate,
        level_cov=(
            state.level_cov
            + dt2 * (cross + cross.swapaxes(-1, -2))
            + dt2**2 * state.rate_cov
            + wander
        ),
        level_rate_cov=cross + dt2 * state.rate_cov,
        rate_cov=state.rate_cov,
    )


def reset_level(state: State, law: ErrorLaw, where: Flags) -> State:
    """A new level where (N,) is true: adjusted, so only the rate is still known."""
    pair = where[None, :, None]
    matrix = pair[..., None]
    return State(
        level=np.where(pair, law.adjusted_mean[:, None], state.level),
        rate=state.rate,
        level_cov=np.where(matrix, diagonal(law.adjusted_sd**2)[:, None], state.level_cov),
        level_rate_cov=np.where(matrix, 0.0, state.level_rate_cov),
        rate_cov=state.rate_cov,
    )


def loosen_level(state: State, law: ErrorLaw, where: Flags) -> State:
    """Level knowledge loosened by a jump of unknown size where (P, N) is true.

    A jump is taken to be as large as JUMP_TO_LEVEL_SD times the spread between wrenches.
    """
    jump_variance = (JUMP_TO_LEVEL_SD * law.level_sd[:, None]) ** 2 * where[..., None]
    return State(
        level=state.level,
        rate=state.rate,
        level_cov=state.level_cov + diagonal(jump_variance),
        level_rate_cov=state.level_rate_cov,
        rate_cov=state.rate_cov,
    )


@dataclass(frozen=True, slots=True)
class CheckInformation:
    """What every check's readings say: h (P, N, C, 2), H (P, N, C, 2, 2), constant (P, N, C)."""

    h: Array
    H: Array
    constant: Array


def check_information(law: ErrorLaw, histories: Histories) -> CheckInformation:
    """Sufficient statistics of the checks under each parameter set."""
    variance = law.scatter_variance(histories.x)  # (P, N, C, J)
    weight = histories.count / variance
    y = histories.mean_pct
    inverse_x = 1.0 / histories.x
    h00 = weight.sum(-1)
    h01 = (weight * inverse_x).sum(-1)
    h11 = (weight * inverse_x**2).sum(-1)
    information = np.stack([np.stack([h00, h01], -1), np.stack([h01, h11], -1)], -2)
    h = np.stack([(weight * y).sum(-1), (weight * y * inverse_x).sum(-1)], -1)
    # Sum over single readings of log N(d; w, v) without the part that depends on w.
    constant = -0.5 * (
        histories.count * np.log(2 * np.pi * variance)
        + (histories.squares + histories.count * y**2) / variance
    ).sum(-1)
    return CheckInformation(h=h, H=information, constant=constant)


def _inverse(matrix: Array) -> tuple[Array, Array]:
    """Inverse and determinant of 2 x 2 matrices in closed form."""
    a, b = matrix[..., 0, 0], matrix[..., 0, 1]
    c, d = matrix[..., 1, 0], matrix[..., 1, 1]
    determinant = a * d - b * c
    adjugate = np.stack([np.stack([d, -b], -1), np.stack([-c, a], -1)], -2)
    return adjugate / determinant[..., None, None], determinant


def _times(matrix: Array, vector: Array) -> Array:
    return np.asarray((matrix * vector[..., None, :]).sum(-1))


def observe(state: State, law: ErrorLaw, h: Array, information: Array) -> tuple[State, Array]:
    """Knowledge after a check, and the check's log likelihood without its constant.

    h (P, N, 2), information (P, N, 2, 2); zero information leaves the state as it was.
    """
    total = state.level_cov + diagonal(law.check_sd**2)[:, None]
    inverse, determinant = _inverse(np.eye(2) + information @ total)
    residual = h - _times(information, state.level)
    scaled = _times(inverse, residual)  # (I + H V)^-1 r
    gained = inverse @ information  # D, symmetric
    level_cov, cross = state.level_cov, state.level_rate_cov
    across = cross.swapaxes(-1, -2)
    after = State(
        level=state.level + _times(level_cov, scaled),
        rate=state.rate + _times(across, scaled),
        level_cov=level_cov - level_cov @ gained @ level_cov,
        level_rate_cov=cross - level_cov @ gained @ cross,
        rate_cov=state.rate_cov - across @ gained @ cross,
    )
    log_likelihood = (
        -0.5 * np.log(determinant)
        + (h * state.level).sum(-1)
        - 0.5 * (state.level * _times(information, state.level)).sum(-1)
        + 0.5 * (residual * _times(total, scaled)).sum(-1)
    )
    return after, log_likelihood


def _surprise(state: State, law: ErrorLaw, h: Array, information: Array) -> Array:
    """(P, N) squared standardised prediction error r' H^+ (I + H V)^-1 r of a check."""
    total = state.level_cov + diagonal(law.check_sd**2)[:, None]
    residual = h - _times(information, state.level)
    scaled = _times(_inverse(np.eye(2) + information @ total)[0], residual)
    values, vectors = np.linalg.eigh(information)
    carried = values > 1e-9 * np.maximum(values[..., -1:], 1e-300)
    inverse = np.where(carried, 1.0 / np.where(carried, values, 1.0), 0.0)
    turned = vectors.swapaxes(-1, -2)
    return np.asarray((_times(turned, residual) * inverse * _times(turned, scaled)).sum(-1))


def filter_histories(
    law: ErrorLaw, histories: Histories, *, jumped: Flags | None = None, surprises: bool = False
) -> Filtered:
    """Run the filter over all checks.

    jumped     (P, N, C) takes the place of `histories.jumped`, to try jumps elsewhere
    surprises  also work out `Filtered.surprise`, else left empty: it costs as much again
    """
    where_jumped = histories.jumped[None] if jumped is None else jumped
    said = check_information(law, histories)
    state = initial_state(law, histories.size)
    sets, wrenches, checks = said.constant.shape
    log_likelihood = said.constant.sum(-1)
    surprise = np.zeros((sets, wrenches, checks if surprises else 0))
    for c in range(checks):
        if c:
            state = advance(state, law, histories.year[:, c] - histories.year[:, c - 1])
            if histories.adjusted[:, c].any():
                state = reset_level(state, law, histories.adjusted[:, c])
        if where_jumped[:, :, c].any():
            state = loosen_level(state, law, where_jumped[:, :, c])
        h, information = said.h[:, :, c], said.H[:, :, c]
        if surprises:
            surprise[:, :, c] = _surprise(state, law, h, information)
        state, gained = observe(state, law, h, information)
        log_likelihood += gained
    return Filtered(
        log_likelihood=log_likelihood,
        state=state,
        surprise=surprise,
        surprise_df=np.minimum((histories.count > 0).sum(-1), 2).astype(np.float64),
    )
