"""Readings that lie far from their fellows: reported, and weighted down, never dropped.

Within a check and target each reading is set against the median of its fellows, in units of a
scale that a few wild readings cannot move: the median absolute distance over the family at that
place of the range. A reading more than FAR of these units away gets the weight (FAR / distance)²;
counts, means and squares are then weighted ones, so that one slip of the hand does not widen a
whole family.
Reference: F. R. Hampel, The influence curve and its role in robust estimation, J. Amer. Statist.
Assoc. 69 (1974) 383-393 (median absolute deviation).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.arrays import Array, Flags
from analysis.history import Histories

FAR: Final = 5.0  # about one normal reading in a hundred thousand lies farther
_FEWEST_READINGS: Final = 3  # of two that disagree none is the odd one
_FEWEST_CELLS: Final = 8  # fewer at one place of the range, and the scale is that of all places

# What makes the median distance from the median of n normal readings an SD, n = 3 to 12: simulated,
# 400,000 samples each, good to 0.3 %. Beyond, the limit 1.4826.
_SD_OF_MEDIAN_DISTANCE: Final = {
    3: 3.185, 4: 2.056, 5: 2.038, 6: 1.898, 7: 1.815, 8: 1.773, 9: 1.716, 10: 1.703, 11: 1.665,
    12: 1.655,
}  # fmt: skip
_LIMIT: Final = 1.4826


@dataclass(frozen=True, slots=True)
class OutlyingReading:
    """A reading far from its fellows.

    distance  from their median, in SDs of a reading
    weight    what it still counts, 0 to 1
    """

    wrench: str
    check: str
    x: float
    deviation_pct: float
    distance: float
    weight: float


@dataclass(frozen=True, slots=True)
class ReadingScale:
    """Robust SD of a reading at each place of the range, as learnt from a family.

    x       (M,) places, ascending
    sd_pct  (M,) % of reading
    """

    x: Array
    sd_pct: Array

    def at(self, x: Array) -> Array:
        """SD at the nearest place known."""
        if not self.x.size:
            return np.full(x.shape, np.inf)
        return np.asarray(self.sd_pct[np.abs(x[..., None] - self.x).argmin(axis=-1)])


def reading_scale(histories: Histories) -> ReadingScale:
    """The scale of a family's readings; without enough repeats it is empty and nothing is far."""
    enough = histories.count >= _FEWEST_READINGS
    distances = _from_median(histories) * _to_sd(histories.count)[..., None]
    pooled = distances[enough]
    pooled = pooled[~np.isnan(pooled)]
    if not pooled.size or np.median(pooled) == 0.0:
        return ReadingScale(np.empty(0), np.empty(0))
    places = np.unique(np.round(histories.x[enough], 3))
    scales = []
    for place in places:
        here = enough & (np.abs(histories.x - place) < 1e-3)
        own = distances[here]
        own = own[~np.isnan(own)]
        known = here.sum() >= _FEWEST_CELLS and np.median(own) > 0.0
        scales.append(np.median(own if known else pooled))
    return ReadingScale(places, np.array(scales))


def weigh_readings(
    histories: Histories, scale: ReadingScale
) -> tuple[Histories, tuple[OutlyingReading, ...]]:
    """Histories with weighted cells, and the readings that count for less than one."""
    spread = scale.at(histories.x)[..., None]
    enough = (histories.count >= _FEWEST_READINGS)[..., None]
    distance = np.where(enough, np.nan_to_num(_from_median(histories) / spread), 0.0)
    if not (distance > FAR).any():
        return histories, ()
    weight = (FAR / np.maximum(distance, FAR)) ** 2
    residual = histories.residual_pct
    counted = np.where(np.isnan(residual), 0.0, weight)
    known = np.nan_to_num(residual)
    total = counted.sum(axis=-1)
    shift = (counted * known).sum(axis=-1) / np.maximum(total, 1e-300)
    about = residual - shift[..., None]
    squares = (counted * np.nan_to_num(about) ** 2).sum(axis=-1)
    # Cells without a far reading keep their squares, which also hold what rounding may hide.
    touched: Flags = np.asarray((distance > FAR).any(axis=-1))
    weighted = replace(
        histories,
        count=np.where(touched, total, histories.count),
        mean_pct=histories.mean_pct + np.where(touched, shift, 0.0),
        squares=np.where(touched, squares, histories.squares),
        residual_pct=np.where(touched[..., None], about, residual),
    )
    return weighted, tuple(_listed(histories, distance, weight))


def _from_median(histories: Histories) -> Array:
    """(N, C, J, R) distance of each reading from the median of its cell; nan where padded."""
    residual = histories.residual_pct
    ascending = np.sort(residual, axis=-1)  # nan last
    known = (~np.isnan(residual)).sum(axis=-1, keepdims=True)
    lower = np.take_along_axis(ascending, np.maximum(known - 1, 0) // 2, axis=-1)
    upper = np.take_along_axis(ascending, np.minimum(known // 2, residual.shape[-1] - 1), axis=-1)
    return np.asarray(np.abs(residual - (lower + upper) / 2))


def _to_sd(count: Array) -> Array:
    factors = np.full(int(count.max(initial=0)) + 1, _LIMIT)
    for n, factor in _SD_OF_MEDIAN_DISTANCE.items():
        if n < len(factors):
            factors[n] = factor
    return np.asarray(factors[count.astype(np.intp)])


def _listed(histories: Histories, distance: Array, weight: Array) -> Iterator[OutlyingReading]:
    for i, c, j, r in zip(*np.nonzero(distance > FAR), strict=True):
        yield OutlyingReading(
            wrench=histories.wrenches[i],
            check=histories.checks[i][c],
            x=float(histories.x[i, c, j]),
            deviation_pct=float(histories.mean_pct[i, c, j] + histories.residual_pct[i, c, j, r]),
            distance=float(distance[i, c, j, r]),
            weight=float(weight[i, c, j, r]),
        )
