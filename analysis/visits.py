"""The checks that a frame of readings belongs to, as rows of their own, and each reading's check.

Readings of a check mostly stand together. So names are compared from one row to the next, which is
cheap, and looked up once for each stretch of rows that have them in common, not for each reading.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.vocabulary import CheckKind

_NAMES = ("wrench", "direction", "check")


@dataclass(frozen=True, slots=True)
class Visits:
    """Checks in order of wrench and direction, then of time.

    frame    wrench, direction, check, day, cycles (of its first reading), left: after an adjustment
    of_row   (R,) which of them each reading belongs to
    history  (V,) number of its wrench and direction, from zero up
    place    (V,) number of the check among those of its history
    """

    frame: pl.DataFrame
    of_row: NDArray[np.intp]
    history: NDArray[np.intp]
    place: NDArray[np.intp]

    @classmethod
    def of(cls, deviations: pl.DataFrame) -> Self:
        """Of the frame of `analysis.deviation.with_deviations`, or of some of its rows.

        Checks at one instant keep the order found before left: an adjustment lies between the two.
        """
        other = pl.any_horizontal(pl.col(name) != pl.col(name).shift() for name in _NAMES)
        begins = deviations.select(other.fill_null(value=True)).to_series().to_numpy()
        left = (pl.col("kind") == CheckKind.AS_LEFT.value).alias("left")
        stretches = deviations.filter(begins).select(*_NAMES, "day", "cycles", left)
        visits = (
            stretches.unique(_NAMES, keep="first", maintain_order=True)
            .sort("wrench", "direction", "day", "left", "check")
            .with_row_index("visit")
        )
        found = stretches.join(visits, on=_NAMES, how="left", maintain_order="left")["visit"]
        visit = found.to_numpy().astype(np.intp)
        history = visits.select(pl.struct("wrench", "direction").rle_id()).to_series().to_numpy()
        history = history.astype(np.intp)
        return cls(
            frame=visits.drop("visit"),
            of_row=visit[np.cumsum(begins) - 1],
            history=history,
            place=np.arange(len(history)) - np.searchsorted(history, history),
        )


@dataclass(frozen=True, slots=True)
class Cells:
    """Readings of one check at one place of the range, in order of check and place.

    visit   (M,) the check;  x: (M,) the place
    start   (M,) where its readings begin in `rows`
    count   (M,) how many they are
    rows    (R,) the readings' rows in the frame, cell by cell, else in their order
    number  (R,) of a reading within its cell
    """

    visit: NDArray[np.intp]
    x: Array
    start: NDArray[np.intp]
    count: NDArray[np.intp]
    rows: NDArray[np.intp]
    number: NDArray[np.intp]

    @classmethod
    def of(cls, visit: NDArray[np.intp], x: Array) -> Self:
        """From the check and the place of each reading, (R,) each."""
        rows = np.arange(len(visit))
        start, count = _stretches(visit, x)
        order = np.lexsort((x[start], visit[start]))
        if (np.diff(order) != 1).any():
            moved, length = start[order], count[order]
            rows = np.repeat(moved - (np.cumsum(length) - length), length) + rows
            start, count = _stretches(visit[rows], x[rows])
        first = rows[start]
        number = np.arange(len(rows)) - np.repeat(start, count)
        return cls(visit[first], x[first], start, count, rows, number)

    def summed(self, values: Array) -> Array:
        """(M,) sums of values (R,) in the order of `rows`."""
        return np.asarray(np.add.reduceat(values, self.start) if len(values) else np.empty(0))

    def spread(self, values: Array) -> Array:
        """(R,) each reading's cell's value, in the order of `rows`."""
        return np.repeat(values, self.count)


def _stretches(visit: NDArray[np.intp], x: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each stretch of one check and place begins, and how long it is."""
    begins = np.ones(len(visit), dtype=np.bool_)
    begins[1:] = (visit[1:] != visit[:-1]) | (x[1:] != x[:-1])
    start = np.flatnonzero(begins)
    return start, np.diff(start, append=len(visit))
