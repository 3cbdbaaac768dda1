"""The first day on which a check would pass too seldom, for many wrenches at little cost.

`analysis.due.first_crossings` lays a grid over the whole horizon and halves the interval of the
crossing. Here the same lattice of half days is searched by interpolation: chance at the last check
and at the horizon, then straight lines through the probits, which run nearly straight in time;
only wrenches whose day is still open are worked out again. Three or four evaluations take the
place of sixteen, and the day is the same.

It rests on this: a wrench whose check would pass often enough now and at the horizon does so in
between. Level moves evenly and doubt only grows, so the days on which a check passes often enough
are one stretch (tested against the grid).
"""

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.due import STEP_DAYS
from analysis.family import FamilyFit
from analysis.lattice_search import first_negative
from analysis.outlook import last_days, outlook
from analysis.pass_probability import quantile
from analysis.pass_table import PassTable


def crossing_days(family: FamilyFit, table: PassTable, target: float, horizon_days: Array) -> Array:
    """(N,) first day after the last check on which the pass probability is below `target`.

    table         of their plan and limit
    horizon_days  (N,) how long after the last check to look

    The day is the lattice's first below the target, within half a day of the crossing; infinity:
    not within the horizon. A wrench below the target already at its last check crosses that day.
    """
    start = last_days(family)
    aim = quantile(np.asarray(target))

    def above(rows: NDArray[np.intp], steps: Array) -> Array:
        """Probits of the chances of some wrenches, less the target's."""
        view = outlook(family.of_rows(rows.tolist()), start[rows] + steps * STEP_DAYS)
        return quantile(table.chance(view)) - aim

    everyone = np.arange(len(start))
    high = np.floor(horizon_days / STEP_DAYS)
    at_low = above(everyone, np.zeros_like(high))
    now = np.flatnonzero(at_low >= 0.0)
    at_high = above(now, high[now])
    crossing = np.where(at_low >= 0.0, np.inf, 0.0)
    crossed = at_high < 0.0
    rows = now[crossed]
    steps = first_negative(
        lambda some, steps: above(rows[some], steps),
        np.zeros(rows.size),
        high[rows],
        at_low[rows],
        at_high[crossed],
    )
    crossing[rows] = steps * STEP_DAYS
    return np.asarray(start + crossing)
