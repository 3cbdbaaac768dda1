"""Each of many rows on one of few columns that have so many places: several costs in turn, exact.

The first cost is made as small as it can be; among all choices that reach that, the second; and so
on. Costs are whole numbers, so that nothing is lost to rounding. Each stage is a transport problem,
solved by successive shortest paths: every row begins on its cheapest column, then rows are moved
from columns with too many to columns with too few, always along the cheapest way, on which a row
of each column makes room for one of the column before. With few columns the ways live in a graph
of them alone. At the end a best choice holds none but those pairs where cost + price is the least
of its row, and every choice of such pairs is a best one (complementary slackness): the next stage
is the same problem with the other pairs forbidden.
Reference: R. K. Ahuja, T. L. Magnanti, J. B. Orlin, Network Flows (1993), chapter 9 (from memory).
"""

from collections.abc import Iterable
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags

Whole = NDArray[np.int64]

_FORBIDDEN: Final = np.int64(1) << 61
_LARGEST: Final = np.int64(1) << 59  # of a sum of costs along a way
# Softness of the smoothed problem as shares of the largest cost, and steps at each.
_SOFTNESS: Final = (3e-3, 3e-4, 6e-5)
_STEPS: Final = 40


def placed_in_turn(costs: Iterable[Whole], places: Whole) -> Whole:
    """(N,) the column of each row, at which the sums of `costs` are least one after the other.

    costs   each (N, D) of whole numbers; at least one
    places  (D,) how many rows a column takes; N of them or more in all

    Raises ValueError for too few places, and for costs of which a sum would not fit.
    """
    columns = len(places)
    at: Whole | None = None
    allowed: Flags | None = None
    for cost in costs:
        rows = len(cost)
        if rows > places.sum():
            raise ValueError(f"{rows} rows have {places.sum()} places")
        above = cost - cost.min(initial=0)
        if above.max(initial=0) > int(_LARGEST) // (columns + 2):
            raise ValueError("the costs are too large for their sums")
        # A row more for the places that stay free: they cost nothing wherever they are.
        above = np.concatenate([above, np.zeros((1, columns), dtype=np.int64)])
        if allowed is not None:
            above[~allowed] = _FORBIDDEN
        stage = _Stage(above, places)
        if stage.astray > columns:
            stage = _Stage(above, places, _prices_near(above, places))
        at = stage.solved()
        allowed = stage.best_pairs()
    if at is None:
        raise ValueError("there is no cost")
    return at


class _Stage:
    """One transport problem on its way to the best choice.

    Rows are those of `cost` (N + 1, D); the last stands for all places that stay free. `price`
    makes every row stand on a column where cost + price is least, from first to last; `over` (D,)
    says by how many a column is too full, below zero by how many not full enough.

    change  (D, D) least that moving one of the rows on a column to another costs
    mover   (D, D) which row that is
    """

    def __init__(self, cost: Whole, places: Whole, price: Whole | None = None) -> None:
        self._cost = cost
        self._idle_row = len(cost) - 1
        columns = len(places)
        self._price = np.zeros(columns, dtype=np.int64) if price is None else price
        self._at, self._idle, self._over = self._begun(places)
        self._change = np.full((columns, columns), _FORBIDDEN)
        self._mover = np.zeros((columns, columns), dtype=np.int64)
        for column in range(columns):
            self._look_again(column, np.arange(columns))

    @property
    def astray(self) -> int:
        """How many rows stand where there is no place for them."""
        return int(self._over.clip(0).sum())

    def solved(self) -> Whole:
        """(N,) the column of each row in a best choice."""
        while (self._over > 0).any():
            self._move(self._cheapest_way())
        return self._at

    def best_pairs(self) -> Flags:
        """(N + 1, D) the pairs that some best choice may hold; once solved."""
        priced = self._cost + self._price
        pairs: Flags = priced == priced.min(axis=1, keepdims=True)
        return pairs

    def _begun(self, places: Whole) -> tuple[Whole, Whole, Whole]:
        """Every row on a cheapest column, of several the one with the most room."""
        priced = self._cost + self._price
        cheapest = priced == priced.min(axis=1, keepdims=True)
        left = places.copy()
        at = np.empty(self._idle_row, dtype=np.int64)
        for row in range(self._idle_row):
            ties = np.flatnonzero(cheapest[row])
            at[row] = ties[left[ties].argmax()]
            left[at[row]] -= 1
        idle = np.zeros(len(places), dtype=np.int64)
        unplaced = int(left.sum())
        ties = np.flatnonzero(cheapest[-1])
        for column in ties:
            idle[column] = min(unplaced, max(int(left[column]), 0))
            unplaced -= int(idle[column])
        idle[ties[0]] += unplaced
        return at, idle, idle - left

    def _look_again(self, column: int, to: Whole) -> None:
        """Find the cheapest moves from a column to others anew."""
        rows = np.flatnonzero(self._at == column)
        if self._idle[column] > 0:
            rows = np.append(rows, self._idle_row)
        if len(rows) == 0:
            self._change[column, to] = _FORBIDDEN
            return
        changes = self._cost[rows[:, None], to] - self._cost[rows, column][:, None]
        first = changes.argmin(axis=0)
        least = changes[first, np.arange(len(to))]
        self._mover[column, to] = rows[first]
        self._change[column, to] = np.where(least > _LARGEST, _FORBIDDEN, least)

    def _cheapest_way(self) -> list[int]:
        """From a column too full to one not full enough; prices follow, so it costs nothing then.

        Labels are corrected round by round; what is farther than the nearest goal is left out.
        """
        price, change = self._price, self._change
        goal = self._over < 0
        label = np.where(self._over > 0, -price, _FORBIDDEN)
        before = np.full(len(price), -1)
        front = np.flatnonzero(self._over > 0)
        nearest = _FORBIDDEN
        while len(front):
            reached = label[front, None] + change[front]
            first = reached.argmin(axis=0)
            new = reached[first, np.arange(len(price))]
            better = np.flatnonzero((new < label) & (new + price < nearest))
            label[better] = new[better]
            before[better] = front[first[better]]
            nearest = (label + price)[goal].min()
            front = better[(label + price)[better] < nearest]
        distance = label + price
        way = [int(np.flatnonzero(goal & (distance == nearest))[0])]
        while before[way[-1]] >= 0:
            way.append(int(before[way[-1]]))
        self._price = price - np.minimum(distance, nearest)
        return way[::-1]

    def _move(self, way: list[int]) -> None:
        """Move as many rows along a way as cost the same."""
        hops = list(pairwise(way))
        most = int(min(self._over[way[0]], -self._over[way[-1]]))
        movers = [self._movers(*hop, most) for hop in hops]
        count = min(most, *(len(rows) for rows in movers))
        movers = [rows[:count] for rows in movers]
        self._over[way[0]] -= count
        self._over[way[-1]] += count
        for (column, to), rows in zip(hops, movers, strict=True):
            if rows[0] == self._idle_row:
                self._idle[column] -= count
                self._idle[to] += count
            else:
                self._at[rows] = to
        for (column, _), rows in zip(hops, movers, strict=True):
            if rows[0] != self._idle_row or self._idle[column] == 0:
                self._look_again(column, np.flatnonzero(np.isin(self._mover[column], rows)))
        for (_, to), rows in zip(hops, movers, strict=True):
            changes = self._cost[rows] - self._cost[rows, to][:, None]
            first = changes.argmin(axis=0)
            least = changes[first, np.arange(len(self._price))]
            lower = least < self._change[to]
            self._change[to, lower] = least[lower]
            self._mover[to, lower] = rows[first[lower]]

    def _movers(self, column: int, to: int, most: int) -> Whole:
        """At most so many rows that move at the least cost; a place that stays free is one too."""
        row = self._mover[column, to]
        if row == self._idle_row:
            return np.full(min(most, int(self._idle[column])), row)
        if most == 1:
            return np.array([row])
        rows = np.flatnonzero(self._at == column)
        changes = self._cost[rows, to] - self._cost[rows, column]
        alike: Whole = rows[changes == self._change[column, to]][:most]
        return alike


def _prices_near(cost: Whole, places: Whole) -> Whole:
    """(D,) prices at which about as many rows want a column as it has places.

    The dual of the problem, smoothed, and climbed a while: only where the search begins, so that
    few rows are left to move. The answer is a best one from any prices.
    """
    from scipy.optimize import minimize  # slow to import

    free = int(places.sum()) - (len(cost) - 1)
    weight = np.ones(len(cost))
    weight[-1] = free
    above = (cost - cost.min(axis=1, keepdims=True)).astype(np.float64)
    above[cost == _FORBIDDEN] = np.inf
    size = float(above[np.isfinite(above)].max())
    if size == 0.0:
        return np.zeros(len(places), dtype=np.int64)
    above /= size

    def falling(price: Array, soft: float) -> tuple[float, Array]:
        priced = above + price
        least = priced.min(axis=1, keepdims=True)
        share = np.exp((least - priced) / soft)
        total = share.sum(axis=1, keepdims=True)
        height = weight @ (least - soft * np.log(total))[:, 0] - places @ price
        slope = (weight / total[:, 0]) @ share - places
        return -height / len(cost), -slope / len(cost)

    price = np.zeros(len(places))
    for soft in _SOFTNESS:
        price = minimize(
            falling, price, (soft,), "L-BFGS-B", jac=True, options={"maxiter": _STEPS}
        ).x
    return np.rint(price * size).astype(np.int64)
