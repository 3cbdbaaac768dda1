"""The fewest wrenches that do all of a list of jobs: a minimum set cover, solved exactly.

Of all sets of that size the one is taken whose jobs cost least, by several costs in turn: with v_w
for a wrench taken and a_jw for a job done with it, a_jw only where allowed,

    sum_w a_jw = 1 for every job that some wrench may do,   a_jw <= v_w,

first sum_w v_w is made least, then each sum_jw cost_jw a_jw. Given the wrenches, each job goes to
its best one, so only the v_w need be told to be whole. The problem is NP-hard in general; for jobs
and wrenches by the dozen the solver proves its answer in about a second.
Reference: L. A. Wolsey, Integer Programming (1998), chapter 1 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.lexicographic import Rows, least_in_turn


@dataclass(frozen=True, slots=True)
class Cover:
    """A smallest set of wrenches, and which of them does each job.

    wrenches  columns of the wrenches taken, ascending
    by_job    for each job the column that does it; None: no wrench may
    """

    wrenches: tuple[int, ...]
    by_job: tuple[int | None, ...]


def fewest_cover(allowed: NDArray[np.bool_], costs: Sequence[Array]) -> Cover:
    """The fewest wrenches that do every job that any of them may do.

    allowed  (J, W) whether a wrench may do a job
    costs    each (J, W), of zero or more; read only where allowed
    """
    kept = _undominated(allowed, costs)
    narrowed, dearness = allowed[:, kept], [cost[:, kept] for cost in costs]
    taken = _cheapest(narrowed, dearness, _fewest(narrowed))
    chosen = [int(w) for w in kept[np.flatnonzero(taken)]]

    def best(j: int) -> int | None:
        """Read off the set, so that equal costs fall to the first wrench."""
        return min(
            (w for w in chosen if allowed[j, w]),
            key=lambda w: (*(float(cost[j, w]) for cost in costs), w),
            default=None,
        )

    return Cover(wrenches=tuple(chosen), by_job=tuple(best(j) for j in range(len(allowed))))


def _undominated(allowed: NDArray[np.bool_], costs: Sequence[Array]) -> NDArray[np.intp]:
    """Columns without those whose every job another does at no more cost, by every cost.

    In any set that other can take its place, so that none of the best sets needs it; of wrenches
    that are alike the first is kept. With wrenches by the thousand few are left.
    """
    dear = np.concatenate([np.where(allowed, cost, np.inf) for cost in costs])  # (C J, W)
    finite = np.isfinite(dear)
    # Whoever is dominated comes after one that dominates it.
    order = np.lexsort((np.where(finite, dear, 0.0).sum(axis=0), (~finite).sum(axis=0)))
    alive = order[finite.any(axis=0)[order]]
    kept = []
    while len(alive):
        first, alive = alive[0], alive[1:]
        kept.append(first)
        alive = alive[~(dear[:, [first]] <= dear[:, alive]).all(axis=0)]
    return np.sort(np.array(kept, dtype=np.intp))


def _fewest(allowed: NDArray[np.bool_]) -> int:
    """How many wrenches do every job that any may do."""
    coverable = allowed[allowed.any(axis=1)]
    job, wrench = np.nonzero(coverable)
    bounds = np.ones(len(coverable))
    rows = Rows(job, wrench, np.ones(len(job)), bounds, np.full(len(coverable), np.inf))
    return round(float(least_in_turn([np.ones(allowed.shape[1])], rows).sum()))


def _cheapest(allowed: NDArray[np.bool_], costs: Sequence[Array], count: int) -> Array:
    """(W,) 1 for the wrenches of the set of `count` that costs least."""
    wrenches = allowed.shape[1]
    coverable = np.flatnonzero(allowed.any(axis=1))
    job, wrench = np.nonzero(allowed[coverable])
    arcs = np.arange(len(job)) + wrenches
    links = np.arange(len(job)) + len(coverable)
    size = len(coverable) + len(job)
    ones = np.ones(len(job))
    return least_in_turn(
        [np.concatenate([np.zeros(wrenches), cost[coverable][job, wrench]]) for cost in costs],
        Rows(
            row=np.concatenate([job, links, links, np.full(wrenches, size)]),
            column=np.concatenate([arcs, arcs, wrench, np.arange(wrenches)]),
            value=np.concatenate([ones, ones, -ones, np.ones(wrenches)]),
            lower=np.concatenate([np.ones(len(coverable)), np.full(len(job), -np.inf), [count]]),
            upper=np.concatenate([np.ones(len(coverable)), np.zeros(len(job)), [count]]),
        ),
        whole=np.arange(wrenches + len(job)) < wrenches,
    )[:wrenches]
