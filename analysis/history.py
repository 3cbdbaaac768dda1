"""Histories of wrenches in one direction, packed into arrays for batched algebra.

N wrenches, up to C checks each, up to J targets a check; shorter ones are padded. Within one check
and target only the count, the mean and the sum of squares about the mean matter to the error law.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR
from analysis.visits import Cells, Visits
from analysis.vocabulary import Direction

# A written reading is rounded, to four digits at best: half a step of 0.01 % to 0.1 % either way.
# Without it readings written alike would say that there is no scatter at all.
ROUNDING_SD_PCT: Final = 0.01


@dataclass(frozen=True, slots=True)
class Histories:
    """Packed histories, checks in order of time.

    wrenches       N serials
    checks         N tuples with the identities of the checks
    day            (N, C) UTC days; padded with the last check's day
    year           (N, C) years since the wrench's first check
    clock          (N, C) years as drift feels them: the same, or scaled by use; see `time_basis`
    cycles         (N, C) count on the wrench at the check; nan where not known
    present        (N, C) true where there is a check
    adjusted       (N, C) true where a check begins a new segment (as left after an adjustment)
    jumped         (N, C) true where the level jumped unlogged between this check and the one before
    x              (N, C, J) target / full scale; 1 where padded
    count          (N, C, J) readings; 0 where padded
    mean_pct       (N, C, J) mean deviation of the readings, % of reading
    squares        (N, C, J) sum of squared deviations from that mean, and for each reading the
                   variance that its rounding may hide
    residual_pct   (N, C, J, R) the readings less that mean; nan where padded
    """

    wrenches: tuple[str, ...]
    checks: tuple[tuple[str, ...], ...]
    day: Array
    year: Array
    clock: Array
    cycles: Array
    present: Flags
    adjusted: Flags
    jumped: Flags
    x: Array
    count: Array
    mean_pct: Array
    squares: Array
    residual_pct: Array

    @property
    def size(self) -> int:
        return len(self.wrenches)

    def take(self, index: Sequence[int] | NDArray[np.intp]) -> Self:
        """The histories of the chosen wrenches."""
        rows = np.asarray(index, dtype=np.intp)
        return type(self)(
            tuple(self.wrenches[i] for i in rows),
            tuple(self.checks[i] for i in rows),
            *(getattr(self, name)[rows] for name in _OF_CHECKS),
        )

    def beside(self, other: Self) -> Self:
        """These wrenches, then those of the other."""
        sizes = np.maximum(self.residual_pct.shape[1:], other.residual_pct.shape[1:])
        both = [self._padded(*sizes), other._padded(*sizes)]
        return type(self)(
            self.wrenches + other.wrenches,
            self.checks + other.checks,
            *(np.concatenate([getattr(each, name) for each in both]) for name in _OF_CHECKS),
        )

    def _padded(self, *sizes: int) -> Self:
        """With room for so many checks, targets and readings, as `pack_histories` leaves it."""
        more = [size - own for size, own in zip(sizes, self.residual_pct.shape[1:], strict=True)]

        def padded(name: str) -> NDArray[Any]:
            values = getattr(self, name)
            ends = [(0, 0), *((0, each) for each in more[: values.ndim - 1])]
            if name in _RUNNING:
                return np.pad(values, ends, mode="edge")
            return np.pad(values, ends, constant_values=_PADDING.get(name, 0))

        if not any(more):
            return self
        return type(self)(self.wrenches, self.checks, *(padded(name) for name in _OF_CHECKS))

    def in_turn(self, at_once: int) -> Iterator[Self]:
        """Parts of at most `at_once` wrenches in their order; of no wrench at all, itself."""
        if self.size <= at_once:
            yield self
            return
        for start in range(0, self.size, at_once):
            yield self.take(np.arange(start, min(start + at_once, self.size)))

    def by_length(self, at_once: int) -> Iterator[tuple[NDArray[np.intp], Self]]:
        """Parts of at most `at_once` wrenches with about as many checks, and their rows.

        No part is padded beyond its longest history, so that little is worked out for nothing.
        """
        length = self.present.sum(axis=1)
        order = np.argsort(length, kind="stable")
        for start in range(0, self.size, at_once):
            rows = order[start : start + at_once]
            yield rows, self.take(rows)._shortened(int(length[rows].max()))

    def _shortened(self, checks: int) -> Self:
        """Without the padding beyond so many checks."""
        return replace(
            self,
            **{name: getattr(self, name)[:, :checks] for name in _OF_CHECKS},
        )


# Columns that a history is packed from.
_PACKED: Final = ("wrench", "direction", "check", "kind", "day", "cycles", "x", "deviation_pct")

_OF_CHECKS: Final = (
    "day", "year", "clock", "cycles", "present", "adjusted", "jumped",
    "x", "count", "mean_pct", "squares", "residual_pct",
)  # fmt: skip

# What stands after the last check: its own time, else a value that counts for nothing.
_RUNNING: Final = ("day", "year", "clock")
_PADDING: Final[Mapping[str, float]] = {"cycles": np.nan, "x": 1.0, "residual_pct": np.nan}


def pack_histories(deviations: pl.DataFrame, direction: Direction) -> Histories:
    """Histories in one direction from the frame of `analysis.deviation.with_deviations`.

    Checks at one instant keep the order found before left: an adjustment lies between the two.
    """
    readings = deviations.select(_PACKED).filter(pl.col("direction") == direction.value)
    visits = Visits.of(readings)
    cells = Cells.of(visits.of_row, readings["x"].to_numpy())
    deviation = readings["deviation_pct"].to_numpy()[cells.rows]
    mean = cells.summed(deviation) / cells.count
    residual = deviation - cells.spread(mean)
    squares = cells.summed(residual**2 + ROUNDING_SD_PCT**2)

    shape = int(visits.history.max(initial=-1)) + 1, int(visits.place.max(initial=0)) + 1
    checked = visits.history, visits.place

    def of_checks(values: NDArray[Any], padding: float | bool) -> NDArray[Any]:
        table = np.full(shape, padding, dtype=values.dtype)
        table[checked] = values
        return table

    present = of_checks(np.ones(len(visits.place), dtype=np.bool_), padding=False)
    # The first check opens the history whatever its kind; later ones open a segment when left.
    left = of_checks(visits.frame["left"].to_numpy() & (visits.place > 0), padding=False)
    day = of_checks(visits.frame["day"].to_numpy(), -np.inf)
    day = np.maximum.accumulate(day, axis=1)
    cycles = visits.frame["cycles"].fill_null(float("nan")).to_numpy()

    target = np.arange(len(cells.x)) - np.searchsorted(cells.visit, cells.visit)
    i, c = visits.history[cells.visit], visits.place[cells.visit]
    targets = int(target.max(initial=0)) + 1

    def of_cells(values: Array, padding: float) -> Array:
        table = np.full((*shape, targets), padding)
        table[i, c, target] = values
        return table

    most = int(cells.count.max(initial=1))
    residuals = np.full((*shape, targets, most), np.nan)
    cell = ((i * shape[1] + c) * targets + target) * most
    residuals.ravel()[np.repeat(cell, cells.count) + cells.number] = residual

    first = np.flatnonzero(visits.place == 0)
    names = visits.frame["check"].to_list()
    return Histories(
        wrenches=tuple(visits.frame["wrench"].gather(first).to_list()),
        checks=tuple(tuple(names[a:b]) for a, b in pairwise([*first.tolist(), len(names)])),
        day=day,
        year=(day - day[:, :1]) / DAYS_PER_YEAR,
        clock=(day - day[:, :1]) / DAYS_PER_YEAR,
        cycles=of_checks(cycles, np.nan),
        present=present,
        adjusted=left,
        jumped=np.zeros_like(present),
        x=of_cells(cells.x, 1.0),
        count=of_cells(cells.count.astype(np.float64), 0.0),
        mean_pct=of_cells(mean, 0.0),
        squares=of_cells(squares, 0.0),
        residual_pct=residuals,
    )
