"""What a family's readings say about its error law, with the doubt that remains.

The coordinates of the law (means, and logarithms of standard deviations) have a normal prior, the
trade's assumption; the state filter gives the marginal likelihood of all readings. Laws
are drawn from the posterior, so that whatever is predicted by averaging over the draws carries
the uncertainty of the variances: with a young fleet the answer is wide, with a large one the draws
agree.

Method: the mode by BFGS with derivatives from one batched evaluation; the curvature there gives a
normal approximation, from which K chains start and walk by Metropolis steps of its shape, which
mends the skewness that variances near zero have.
References: D. Bates, D. Watts (1988) on curvature; G. Roberts, A. Gelman, W. Gilks, Ann. Appl.
Probab. 7 (1997) 110-120 for the step length 2.38 / sqrt(dimension).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.error_law import Assumption, ErrorLaw, law_from_coordinates
from analysis.history import Histories
from analysis.history_filter import CELLS_AT_ONCE, Prepared, filter_histories

DRAWS: Final = 48
_STEPS: Final = 80
# From so many wrenches on the posterior is close to normal and the chains begin close to it.
_LARGE: Final = 128
_STEPS_WHEN_LARGE: Final = 12
_PART: Final = 64
_CLOSE_ENOUGH: Final = (
    1e-7  # of the log posterior: a hundredth of one unit of it for 1,000 wrenches
)
_SEED: Final = 6789  # a fixed stream: the same evidence gives the same numbers


@dataclass(frozen=True, slots=True)
class FamilyPosterior:
    """Draws from the posterior of a family's law.

    draws        K equally likely laws
    coordinates  (K, 21) the same in the order of COORDINATES, in units of the prior
    mode         the most probable law
    acceptance   share of Metropolis steps taken, about 0.2 to 0.6 when the chains move well
    """

    draws: ErrorLaw
    coordinates: Array
    mode: ErrorLaw
    acceptance: float


def log_likelihood(coordinates: Array, histories: Histories | Prepared) -> Array:
    """(P,) marginal log likelihood of all readings under P laws, in chunks that bound memory."""
    given = Prepared.of(histories) if isinstance(histories, Histories) else histories
    chunk = max(1, CELLS_AT_ONCE // max(1, given.histories.size))
    return np.concatenate(
        [
            filter_histories(
                law_from_coordinates(coordinates[start : start + chunk]), given, events=False
            ).log_likelihood.sum(-1)
            for start in range(0, coordinates.shape[0], chunk)
        ]
    )


@dataclass(frozen=True, slots=True)
class FamilyMode:
    """The most probable law in units of the prior (21,), and its log posterior."""

    z: Array
    log_posterior: float


def _log_posterior(histories: Histories, assumed: Assumption) -> Callable[[Array], Array]:
    parts = [histories] if histories.size else []
    if histories.size > _LARGE:
        parts = [part for _, part in histories.by_length(_LARGE // 2)]
    prepared = [Prepared.of(part) for part in parts]

    def of(z: Array) -> Array:
        coordinates = assumed.centre + assumed.spread * z
        prior = -0.5 * (z**2).sum(-1)
        return np.asarray(prior + sum(log_likelihood(coordinates, part) for part in prepared))

    return of


def family_mode(
    histories: Histories, assumed: Assumption, start: Array | None = None
) -> FamilyMode:
    """The most probable law of a family; `start` (21,) is where to begin the search.

    The search for a large family begins at the mode of a part of it, in coordinates in which the
    part's posterior is round: a fifth of the steps then do.
    """
    log_posterior = _log_posterior(histories, assumed)
    part = a_part_of(histories)
    if part is histories:
        return _mode(log_posterior, np.zeros(len(assumed.centre)) if start is None else start)
    of_part = _log_posterior(part, assumed)
    rough = rough_mode(part, assumed).z if start is None else start
    return _quick_mode(log_posterior, rough, _root_of_covariance(of_part, rough))


def rough_mode(part: Histories, assumed: Assumption, start: Array | None = None) -> FamilyMode:
    """Where the most probable law lies by a part of a large family, to begin a search there."""
    dimension = len(assumed.centre)
    begin = np.zeros(dimension) if start is None else start
    return _quick_mode(_log_posterior(part, assumed), begin, np.eye(dimension))


def a_part_of(histories: Histories) -> Histories:
    """Some of a large family, enough to see roughly where its law lies; all of any other."""
    if histories.size <= _LARGE:
        return histories
    return histories.take(np.arange(0, histories.size, -(-histories.size // _PART)))


def family_posterior(
    histories: Histories, assumed: Assumption, draws: int = DRAWS, start: Array | None = None
) -> FamilyPosterior:
    """Posterior of the law of a family from the histories of its wrenches, none needed.

    With no history at all the draws come from the assumption itself. `start` as in `family_mode`.
    """
    log_posterior = _log_posterior(histories, assumed)
    mode = family_mode(histories, assumed, start).z
    root = _root_of_covariance(log_posterior, mode)
    steps = _STEPS if histories.size <= _LARGE else _STEPS_WHEN_LARGE
    z, acceptance = _walk(log_posterior, mode, root, draws, steps)
    return FamilyPosterior(
        draws=law_from_coordinates(assumed.centre + assumed.spread * z),
        coordinates=z,
        mode=law_from_coordinates((assumed.centre + assumed.spread * mode)[None]),
        acceptance=acceptance,
    )


def _mode(log_posterior: Callable[[Array], Array], start: Array) -> FamilyMode:
    from scipy.optimize import minimize  # slow to import, needed only when a family is fitted

    dimension = start.shape[0]

    step = 1e-4
    steps = np.concatenate(
        [np.zeros((1, dimension)), step * np.eye(dimension), -step * np.eye(dimension)]
    )

    def value_and_slope(z: Array) -> tuple[float, Array]:
        values = -log_posterior(z + steps)
        slope = (values[1 : dimension + 1] - values[dimension + 1 :]) / (2 * step)
        return float(values[0]), slope

    found = minimize(value_and_slope, start, jac=True, method="L-BFGS-B")
    return FamilyMode(z=np.asarray(found.x), log_posterior=-float(found.fun))


def _quick_mode(log_posterior: Callable[[Array], Array], start: Array, root: Array) -> FamilyMode:
    """The mode from `start` in coordinates u, z = start + root u, to a hundredth of a unit.

    One-sided slopes are good enough where the posterior is about as wide as u's unit.
    """
    from scipy.optimize import minimize  # slow to import, needed only when a family is fitted

    dimension = start.shape[0]
    step = 1e-4
    steps = np.concatenate([np.zeros((1, dimension)), step * np.eye(dimension)])

    def value_and_slope(u: Array) -> tuple[float, Array]:
        values = -log_posterior(start + (u + steps) @ root.T)
        return float(values[0]), (values[1:] - values[0]) / step

    found = minimize(
        value_and_slope,
        np.zeros(dimension),
        jac=True,
        method="L-BFGS-B",
        options={"ftol": _CLOSE_ENOUGH},
    )
    return FamilyMode(z=start + root @ found.x, log_posterior=-float(found.fun))


def _root_of_covariance(log_posterior: Callable[[Array], Array], mode: Array) -> Array:
    """(21, 21) square root of the inverse curvature at the mode, kept within the prior's unit."""
    dimension = mode.shape[0]
    h = 0.05
    rows, columns = np.triu_indices(dimension)
    e = h * np.eye(dimension)
    corners = np.concatenate(
        [mode + e[rows] * a + e[columns] * b for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
    )
    pp, pm, mp, mm = np.split(log_posterior(corners), 4)
    curvature = np.zeros((dimension, dimension))
    curvature[rows, columns] = -(pp - pm - mp + mm) / (4 * h * h)
    curvature[columns, rows] = curvature[rows, columns]
    values, vectors = np.linalg.eigh(curvature)
    # The prior has unit curvature: a smaller one comes from skewness, which the walk explores.
    return np.asarray(vectors / np.sqrt(np.maximum(values, 0.5)))


def _walk(
    log_posterior: Callable[[Array], Array], mode: Array, root: Array, chains: int, steps: int
) -> tuple[Array, float]:
    random = np.random.Generator(np.random.PCG64(_SEED))
    dimension = mode.shape[0]
    z = mode + random.standard_normal((chains, dimension)) @ root.T
    value = log_posterior(z)
    length = 2.38 / np.sqrt(dimension)
    taken = 0
    for _ in range(steps):
        proposal = z + length * random.standard_normal((chains, dimension)) @ root.T
        proposed = log_posterior(proposal)
        accept = np.log(random.random(chains)) < proposed - value
        z = np.where(accept[:, None], proposal, z)
        value = np.where(accept, proposed, value)
        taken += int(accept.sum())
    return z, taken / (steps * chains)
