"""Choices of yes and no at the least cost, several costs one after the other: exact, by HiGHS.

The first cost is made as small as it can be; among all choices that reach that, the second; and so
on. Each stage is a binary linear programme, solved to proven optimality, and binds the stages after
it by one row more. Where the rows form an assignment or a transport problem the bound of a stage is
a face of an integral polytope, so that the relaxation alone finds each answer.
Reference: R. K. Ahuja, T. L. Magnanti, J. B. Orlin, Network Flows (1993), chapter 11 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array

# The solver stops within 1e-6 of the best, so costs are brought to a size beside which that is
# nothing.
_LARGEST_COST: Final = 1e3
_SLACK: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Rows:
    """Conditions lower <= A v <= upper on choices v of 0 and 1.

    row, column, value  (E,) the entries of A that are not zero
    lower, upper        (R,) bounds, infinite where there is none
    """

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    value: Array
    lower: Array
    upper: Array


def least_in_turn(
    costs: Sequence[Array], rows: Rows, whole: NDArray[np.bool_] | None = None
) -> Array:
    """(V,) the choices that make `costs`, each (V,), least one after the other.

    whole  (V,) which choices are 0 or 1; the others may lie between. None: all are

    Raises ValueError when no choice keeps the conditions.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # slow to import
    from scipy.sparse import coo_array

    count = len(costs[0])
    if count == 0:
        return np.zeros(0)
    matrix = coo_array(
        (rows.value, (rows.row, rows.column)), shape=(len(rows.lower), count)
    ).tocsr()
    conditions = [LinearConstraint(matrix, rows.lower, rows.upper)]
    whole = np.ones(count, dtype=np.bool_) if whole is None else whole
    chosen: Array | None = None
    for cost in costs:
        size = float(np.abs(cost).max())
        if size == 0.0 and chosen is not None:
            continue  # nothing to gain
        scaled = cost * (_LARGEST_COST / size) if size else cost
        found = milp(
            scaled,
            constraints=conditions,
            integrality=whole.astype(np.float64),
            bounds=Bounds(0.0, 1.0),
            options={"mip_rel_gap": 0.0},
        )
        if found.x is None:
            raise ValueError(f"no choice keeps the conditions: {found.message}")
        chosen = np.where(whole, np.rint(found.x), found.x)
        conditions.append(LinearConstraint(scaled[None], -np.inf, float(found.fun) + _SLACK))
    assert chosen is not None  # noqa: S101 - there is at least one cost
    return chosen
