"""Histories of wrenches in one direction, packed into arrays for batched algebra.

N wrenches, up to C checks each, up to J targets a check; shorter ones are padded. Within one check
and target only the count, the mean and the sum of squares about the mean matter to the error law.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR
from analysis.vocabulary import CheckKind, Direction

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


_OF_CHECKS: Final = (
    "day", "year", "clock", "cycles", "present", "adjusted", "jumped",
    "x", "count", "mean_pct", "squares", "residual_pct",
)  # fmt: skip


def pack_histories(deviations: pl.DataFrame, direction: Direction) -> Histories:
    """Histories in one direction from the frame of `analysis.deviation.with_deviations`.

    Checks at one instant keep the order found before left: an adjustment lies between the two.
    """
    cells = (
        deviations.filter(pl.col("direction") == direction.value)
        .group_by("wrench", "check", "x", maintain_order=True)
        .agg(
            pl.col("day").first(),
            pl.col("cycles").first(),
            (pl.col("kind").first() == CheckKind.AS_LEFT.value).alias("left"),
            pl.len().alias("count"),
            pl.col("deviation_pct").mean().alias("mean"),
            ((pl.col("deviation_pct") - pl.col("deviation_pct").mean()) ** 2 + ROUNDING_SD_PCT**2)
            .sum()
            .alias("squares"),
            (pl.col("deviation_pct") - pl.col("deviation_pct").mean()).alias("residuals"),
        )
        .sort("wrench", "day", "left", "check", "x")
        .with_columns(
            pl.col("wrench").rle_id().alias("i"),
            pl.struct("wrench", "check").rle_id().alias("visit"),
        )
        .with_columns(
            (pl.col("visit") - pl.col("visit").first().over("i")).alias("c"),
            pl.int_range(pl.len()).over("visit").alias("j"),
        )
    )
    return _filled(cells)


def _filled(cells: pl.DataFrame) -> Histories:
    i, c, j = (cells[name].to_numpy().astype(np.intp) for name in ("i", "c", "j"))
    n = int(i.max()) + 1 if cells.height else 0
    checks_most = int(c.max()) + 1 if cells.height else 1
    targets_most = int(j.max()) + 1 if cells.height else 1

    present = np.zeros((n, checks_most), dtype=np.bool_)
    present[i, c] = True
    left = np.zeros_like(present)
    left[i, c] = cells["left"].to_numpy()
    # The first check opens the history whatever its kind; later ones open a segment when left.
    left[:, :1] = False
    day = np.full((n, checks_most), -np.inf)
    day[i, c] = cells["day"].to_numpy()
    day = np.maximum.accumulate(day, axis=1) if n else day

    def table(name: str, padding: float) -> Array:
        values = np.full((n, checks_most, targets_most), padding)
        values[i, c, j] = cells[name].to_numpy()
        return values

    number = cells.select(pl.int_ranges("count").alias("k")).explode("k")["k"].to_numpy()
    single = cells.select("i", "c", "j", "residuals").explode("residuals")
    residual = np.full((*table("x", 1.0).shape, int(number.max(initial=0)) + 1), np.nan)
    residual[single["i"], single["c"], single["j"], number] = single["residuals"].to_numpy()

    cycles = np.full((n, checks_most), np.nan)
    cycles[i, c] = cells["cycles"].to_numpy()

    visits = cells.unique(["i", "c"], maintain_order=True)
    names = visits.group_by("i", maintain_order=True).agg("wrench", "check")
    return Histories(
        wrenches=tuple(row[0] for row in names["wrench"].to_list()),
        checks=tuple(tuple(row) for row in names["check"].to_list()),
        day=day,
        year=(day - day[:, :1]) / DAYS_PER_YEAR,
        clock=(day - day[:, :1]) / DAYS_PER_YEAR,
        cycles=cycles,
        present=present,
        adjusted=left,
        jumped=np.zeros_like(present),
        x=table("x", 1.0),
        count=table("count", 0.0),
        mean_pct=table("mean", 0.0),
        squares=table("squares", 0.0),
        residual_pct=residual,
    )
