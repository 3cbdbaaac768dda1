"""Steps of the Gaussian filter of the error law, for many wrenches and parameter sets at once.

`analysis.history_filter` goes through whole histories with them, in an equal form that is quicker.

The state of a wrench is (level, rate), each a pair (gain, offset). Between checks the level moves
by rate times time plus Brownian wander; an adjustment draws a new level and keeps the rate. A
check with J targets says about w = level + effect of the check

    log p(readings | w) = constant + h'w - w'Hw / 2,     H = sum_j n_j z_j z_j' / v_j,  z = (1, 1/x)

so any set of targets, even a single one, is two numbers h and a 2 x 2 matrix H. With the level
known as N(m, L) before the check and S the covariance of its effect, and V = L + S,

    D  = H (I + V H)^-1                      information gained about w
    m' = m + L (I + H V)^-1 (h - H m),       L' = L - L D L,   and so on for the rates

and the readings have the log likelihood  constant - log det(I + H V)/2 + h'm - m'Hm/2
+ r' V (I + H V)^-1 r / 2  with  r = h - H m. All this is exact.

Events: before each check the wrench may have been knocked (L grows by the variance of a jump), and
the check may have gone astray (S grows). Each possibility is followed through the check, weighed by
its likelihood, and the three are merged into one normal distribution of the same mean and
covariance. Without events (rates of zero) nothing is approximated.

References: J. Durbin, S. J. Koopman, Time Series Analysis by State Space Methods, 2nd ed. (2012),
section 4.3 (Kalman filter; the information form of the observation is the same update by the
matrix inversion lemma). G. A. Ackerson, K. S. Fu, IEEE Trans. Automatic Control 15 (1970) 10-17
(merging the branches after each step).

Shapes: pairs come first, (2, P, N) and (2, 2, P, N), so that the algebra of the pairs runs along
contiguous rows of P parameter sets by N wrenches.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.error_law import ErrorLaw
from analysis.history import Histories


@dataclass(frozen=True, slots=True)
class State:
    """Gaussian knowledge of level and rate: P parameter sets by N wrenches.

    level, rate             (2, P, N) means
    level_cov, rate_cov     (2, 2, P, N)
    level_rate_cov          (2, 2, P, N) rows are levels, columns are rates
    """

    level: Array
    rate: Array
    level_cov: Array
    level_rate_cov: Array
    rate_cov: Array

    def of_columns(self, columns: NDArray[np.intp] | list[int]) -> "State":
        """Of the chosen wrenches, each as often as it is named."""
        return State(**{part.name: getattr(self, part.name)[..., columns] for part in fields(self)})


def pair(values: Array) -> Array:
    """(P, 2) parameters as (2, P, 1), to go with (2, P, N)."""
    return np.asarray(values.T[:, :, None])


def diagonal(values: Array) -> Array:
    """(2, ...) to (2, 2, ...) diagonal matrices."""
    matrix = np.zeros((2, *values.shape))
    matrix[0, 0], matrix[1, 1] = values
    return matrix


def initial_state(law: ErrorLaw, wrenches: int) -> State:
    """Knowledge of N wrenches of the family before their first check."""
    shape = (2, law.size, wrenches)
    zeros = np.zeros((2, *shape))
    return State(
        level=np.broadcast_to(pair(law.level_mean), shape),
        rate=np.broadcast_to(pair(law.rate_mean), shape),
        level_cov=zeros + diagonal(pair(law.level_sd**2)),
        level_rate_cov=zeros,
        rate_cov=zeros + diagonal(pair(law.rate_sd**2)),
    )


def advance(
    state: State, law: ErrorLaw, years: Array, clock: Array, clock_sd: Array | None = None
) -> State:
    """Knowledge `years` (N,) later, no check in between; drift ran for `clock` (N,) years.

    clock_sd  (N,) doubt about `clock`, where it lies ahead and runs with use
    """
    cross = state.level_rate_cov
    return State(
        level=state.level + state.rate * clock,
        rate=state.rate,
        level_cov=(
            state.level_cov
            + clock * (cross + cross.swapaxes(0, 1))
            + clock**2 * state.rate_cov
            + diagonal(pair(law.wander_sd**2) * years)
            + (0.0 if clock_sd is None else clock_sd**2 * _square_of_rate(state))
        ),
        level_rate_cov=cross + clock * state.rate_cov,
        rate_cov=state.rate_cov,
    )


def _square_of_rate(state: State) -> Array:
    """Expected outer product of the rate with itself."""
    return np.asarray(state.rate_cov + state.rate[:, None] * state.rate[None])


def reset_level(state: State, law: ErrorLaw, where: Flags) -> State:
    """A new level where (N,) is true: adjusted, so only the rate is still known."""
    return State(
        level=np.where(where, pair(law.adjusted_mean), state.level),
        rate=state.rate,
        level_cov=np.where(where, diagonal(pair(law.adjusted_sd**2)), state.level_cov),
        level_rate_cov=np.where(where, 0.0, state.level_rate_cov),
        rate_cov=state.rate_cov,
    )


def loosen_level(state: State, variance: Array) -> State:
    """Level knowledge loosened by a jump of the given variance, (2, P, N) or (2, P, 1)."""
    return State(
        level=state.level,
        rate=state.rate,
        level_cov=state.level_cov + diagonal(variance),
        level_rate_cov=state.level_rate_cov,
        rate_cov=state.rate_cov,
    )


@dataclass(frozen=True, slots=True)
class CheckInformation:
    """What every check's readings say: h (2, P, N, C), H (2, 2, P, N, C), constant (P, N, C)."""

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
    h01 = np.einsum("pncj,ncj->pnc", weight, inverse_x)
    h11 = np.einsum("pncj,ncj->pnc", weight, inverse_x**2)
    h0 = np.einsum("pncj,ncj->pnc", weight, y)
    h1 = np.einsum("pncj,ncj->pnc", weight, y * inverse_x)
    # Sum over single readings of log N(d; w, v) without the part that depends on w.
    constant = -0.5 * (
        np.einsum("ncj,pncj->pnc", histories.count, np.log(2 * np.pi * variance))
        + np.einsum("ncj,pncj->pnc", histories.squares + histories.count * y**2, 1.0 / variance)
    )
    return CheckInformation(
        h=np.stack([h0, h1]),
        H=np.stack([np.stack([h00, h01]), np.stack([h01, h11])]),
        constant=constant,
    )


def _inverse(matrix: Array) -> tuple[Array, Array]:
    """Inverse and determinant of (2, 2, ...) matrices in closed form."""
    (a, b), (c, d) = matrix
    determinant = a * d - b * c
    return np.stack([np.stack([d, -b]), np.stack([-c, a])]) / determinant, determinant


def _dot(matrix: Array, vector: Array) -> Array:
    return np.asarray(np.einsum("ij...,j...->i...", matrix, vector))


def _product(left: Array, right: Array) -> Array:
    return np.asarray(np.einsum("ij...,jk...->ik...", left, right))


def _inner(left: Array, right: Array) -> Array:
    return np.asarray(np.einsum("i...,i...->...", left, right))


def _one_plus(matrix: Array) -> Array:
    """Identity plus (2, 2, ...) matrices."""
    summed = matrix.copy()
    summed[0, 0] += 1.0
    summed[1, 1] += 1.0
    return summed


def observe(
    state: State, check_variance: Array, h: Array, information: Array
) -> tuple[State, Array]:
    """Knowledge after a check, and the check's log likelihood without its constant.

    check_variance (2, P, N) or (2, P, 1), h (2, P, N), information (2, 2, P, N); zero information
    leaves the state as it was. A further axis before P, for branches, is carried along.
    """
    level_cov, cross = state.level_cov, state.level_rate_cov
    total = level_cov + diagonal(check_variance)
    inverse, determinant = _inverse(_one_plus(_product(information, total)))
    pulled = _dot(information, state.level)
    residual = h - pulled
    scaled = _dot(inverse, residual)  # (I + H V)^-1 r
    gained = _product(inverse, information)  # D, symmetric
    across = cross.swapaxes(0, 1)
    gained_cross = _product(gained, cross)
    after = State(
        level=state.level + _dot(level_cov, scaled),
        rate=state.rate + _dot(across, scaled),
        level_cov=level_cov - _product(level_cov, _product(gained, level_cov)),
        level_rate_cov=cross - _product(level_cov, gained_cross),
        rate_cov=state.rate_cov - _product(across, gained_cross),
    )
    log_likelihood = (
        -0.5 * np.log(determinant)
        + _inner(h - 0.5 * pulled, state.level)
        + 0.5 * _inner(residual, _dot(total, scaled))
    )
    return after, log_likelihood


def branched(state: State, knock_variance: Array) -> State:
    """The state in three branches, (2, 3, P, N) and so on: no event, a knock, a stray check."""
    knocked = state.level_cov + diagonal(knock_variance)
    return State(
        level=state.level[:, None],
        rate=state.rate[:, None],
        level_cov=np.stack([state.level_cov, knocked, state.level_cov], axis=2),
        level_rate_cov=state.level_rate_cov[:, :, None],
        rate_cov=state.rate_cov[:, :, None],
    )


def merged(branches: State, weights: Array) -> State:
    """One normal distribution with the mean and covariance of the branches, weights (3, P, N)."""

    def averaged(values: Array) -> Array:
        return np.asarray(np.einsum("bpn,...bpn->...pn", weights, values))

    level, rate = averaged(branches.level), averaged(branches.rate)
    from_level, from_rate = branches.level - level[:, None], branches.rate - rate[:, None]
    weighted_level, weighted_rate = weights * from_level, weights * from_rate

    def spread(left: Array, right: Array) -> Array:
        return np.asarray(np.einsum("ibpn,jbpn->ijpn", left, right))

    return State(
        level=level,
        rate=rate,
        level_cov=averaged(branches.level_cov) + spread(weighted_level, from_level),
        level_rate_cov=averaged(branches.level_rate_cov) + spread(weighted_level, from_rate),
        rate_cov=averaged(branches.rate_cov) + spread(weighted_rate, from_rate),
    )
