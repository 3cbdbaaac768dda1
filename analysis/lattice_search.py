"""The first whole step at which falling functions are below zero, for many of them at once.

Straight lines between what is known on either side find it in three or four evaluations where the
functions run nearly straight; halving finds whatever they miss.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array

_HALVE_AFTER: Final = 4  # evaluations

Values = Callable[[NDArray[np.intp], Array], Array]


def first_negative(values: Values, low: Array, high: Array, at_low: Array, at_high: Array) -> Array:
    """(N,) the first step below zero of each function, between its `low` and `high`.

    values           of some of the functions, by their rows, at one step each
    low, high        (N,) whole steps, low before high
    at_low, at_high  (N,) the values there: zero or more, and less than zero
    """
    low, high, at_low, at_high = (each.copy() for each in (low, high, at_low, at_high))
    tries = 0
    while (rows := np.flatnonzero(high - low > 1)).size:
        a, b, fa, fb = low[rows], high[rows], at_low[rows], at_high[rows]
        share = fa / (fa - fb) if tries < _HALVE_AFTER else 0.5
        middle = np.clip(np.ceil(a + share * (b - a)), a + 1, b - 1)
        value = values(rows, middle)
        inside, below = value >= 0.0, value < 0.0
        low[rows[inside]], at_low[rows[inside]] = middle[inside], value[inside]
        high[rows[below]], at_high[rows[below]] = middle[below], value[below]
        tries += 1
    return high
