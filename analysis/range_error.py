"""How far pulls are off along the range, everything included: as found, before anyone adjusted.

The typical error at a place is the root mean square deviation of its readings about zero: bias of
the wrench, drift since the last visit, hand and fixture, and scatter together. Every wrench counts
alike, however often it was checked; the doubt is that between wrenches.

Two views. By band: plain averages of squares, no model. As a curve: the mean is m0 + m1 / x and the
variance about it a + b / x², from which the share of pulls outside a limit follows at any x, taking
deviations as normal.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.clustered import (
    Estimate,
    error_of_leaving_out,
    jackknife_covariance,
    plain_estimate,
    positive_estimate,
)
from analysis.errors import NotEnoughEvidence
from analysis.numerals import counted
from analysis.range_cells import RangeCells
from analysis.variance_curve import VarianceCurve, curve_scores

FEWEST_WRENCHES: Final = 5


@dataclass(frozen=True, slots=True)
class BandRatio:
    """The typical error in one band over that in another, for wrenches checked in both.

    ratio     with its interval
    of_checks share of its variance which more checks of the same wrenches would take away
    wrenches, checks  that carry it
    """

    ratio: Estimate
    of_checks: float
    wrenches: int
    checks: int


@dataclass(frozen=True, slots=True)
class ErrorCurve:
    """Mean and variance of as-found deviations along the range.

    mean        (2,) m0 in % of reading and m1 in % of full scale
    spread      variance about the mean
    covariance  (4, 4) of m0, m1 and the two ends of `spread`
    """

    mean: Array
    spread: VarianceCurve
    covariance: Array

    def moments(self, x: Array) -> tuple[Array, Array]:
        """Mean deviation and standard deviation at x, % of reading."""
        return self.mean[0] + self.mean[1] / x, np.sqrt(self.spread.variance(x))

    def mean_at(self, x: float) -> Estimate:
        """The mean deviation at x, % of reading."""
        z = np.array([1.0, 1.0 / x])
        se = float(np.sqrt(z @ self.covariance[:2, :2] @ z))
        return plain_estimate(float(self.mean @ z), se, self.spread.df)

    def drawn(self, count: int, seed: int) -> list["ErrorCurve"]:
        """Equally likely curves, as far as the readings tell."""
        # The ends are positive and skewed: drawn by their logarithms.
        centre = np.concatenate([self.mean, np.log(self.spread.ends)])
        to_log = np.concatenate([np.ones(2), 1.0 / self.spread.ends])
        values, vectors = np.linalg.eigh(to_log[:, None] * self.covariance * to_log)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        random = np.random.Generator(np.random.PCG64(seed))
        normal = random.standard_normal((count, 4))
        # Student's t: few wrenches leave the size of the doubt itself in doubt.
        wide = np.sqrt(self.spread.df / random.chisquare(self.spread.df, count))
        return [
            replace(self, mean=point[:2], spread=replace(self.spread, ends=np.exp(point[2:])))
            for point in centre + wide[:, None] * (normal @ root.T)
        ]


def mean_square_by_wrench(cells: RangeCells) -> Array:
    """(W,) mean over each wrench's checks of the mean square deviation of their readings."""
    number = np.unique(cells.check, return_inverse=True)[1]
    checks = number.max() + 1
    square, readings = np.zeros((2, checks))
    np.add.at(square, number, cells.square + cells.count * cells.mean_pct**2)
    np.add.at(readings, number, cells.count)
    owner = np.zeros(checks, dtype=np.intp)
    owner[number] = cells.wrench
    total, visits = np.zeros((2, len(cells.wrenches)))
    np.add.at(total, owner, square / readings)
    np.add.at(visits, owner, 1.0)
    return np.asarray(total / visits)


def typical_error(cells: RangeCells) -> Estimate | None:
    """Root mean square deviation, wrenches alike.

    None with fewer than two wrenches that deviate at all.
    """
    squares = mean_square_by_wrench(cells) if len(cells.wrenches) else np.zeros(0)
    if (squares > 0).sum() < 2:
        return None
    log_se = error_of_leaving_out(np.log(squares.sum() - squares)) / 2
    return positive_estimate(float(np.log(squares.mean())) / 2, log_se, len(squares) - 1.0)


def band_ratio(cells: RangeCells, band: NDArray[np.str_], low: str, upper: str) -> BandRatio:
    """Typical error in `low` over that in `upper`.

    band  (M,) of each cell

    Raises NotEnoughEvidence with fewer than five wrenches that were checked in both.
    """
    has = [
        cells.by_wrench((band == name).astype(np.float64)[:, None])[:, 0] > 0
        for name in (low, upper)
    ]
    both = has[0] & has[1]
    wrenches = int(both.sum())
    if wrenches < FEWEST_WRENCHES:
        raise NotEnoughEvidence(
            because=f"it rests on {counted(wrenches, 'wrench')} checked as found both in the {low} "
            f"and in the {upper} band",
            needed=f"{FEWEST_WRENCHES} such wrenches would do for a first answer",
        )
    chosen = both[cells.wrench]
    kept, of_cell = cells.where(chosen), band[chosen]
    squares = [mean_square_by_wrench(kept.where(of_cell == name)) for name in (low, upper)]
    if min((square > 0).sum() for square in squares) < 2:
        raise NotEnoughEvidence(
            because=f"hardly any reading in the {low} or in the {upper} band deviates at all",
            needed="a tester that shows finer steps",
        )
    without = 0.5 * np.diff([np.log(s.sum() - s) for s in reversed(squares)], axis=0)[0]
    whole = 0.5 * float(np.log(squares[0].sum() / squares[1].sum()))
    log_se = error_of_leaving_out(without)
    return BandRatio(
        ratio=positive_estimate(whole, log_se, wrenches - 1.0),
        of_checks=_share_of_checks(kept, of_cell, (low, upper), squares, log_se),
        wrenches=wrenches,
        checks=kept.checks,
    )


def _share_of_checks(
    cells: RangeCells,
    band: NDArray[np.str_],
    names: Sequence[str],
    squares: Sequence[Array],
    log_se: float,
) -> float:
    """Share of the ratio's variance that comes from which checks a wrench happened to have."""
    number = np.unique(cells.check, return_inverse=True)[1]
    checks = number.max() + 1
    owner = np.zeros(checks, dtype=np.intp)
    owner[number] = cells.wrench
    lean = np.zeros(checks)
    for sign, name, wrench_square in zip((1, -1), names, squares, strict=True):
        here = band == name
        square, readings = np.zeros((2, checks))
        np.add.at(square, number[here], (cells.square + cells.count * cells.mean_pct**2)[here])
        np.add.at(readings, number[here], cells.count[here])
        seen = readings > 0
        mean = np.divide(square, readings, out=np.zeros(checks), where=seen)
        lean += sign * np.where(seen, mean - wrench_square[owner], 0.0) / wrench_square.sum() / 2
    visits = np.bincount(owner, minlength=len(cells.wrenches)).astype(np.float64)
    spread = np.zeros(len(cells.wrenches))
    np.add.at(spread, owner, lean**2)
    several = visits > 1
    if not several.any() or log_se == 0:
        return 0.0
    of_mean = spread[several] / (visits[several] - 1) / visits[several]
    share = float(of_mean.mean() * len(cells.wrenches) / log_se**2)
    return min(share, 1.0)


def error_curve(cells: RangeCells) -> ErrorCurve:
    """The curve of as-found deviations.

    Raises NotEnoughEvidence with fewer than five wrenches or with one target.
    """
    wrenches = len(cells.wrenches)
    if wrenches < FEWEST_WRENCHES or len(np.unique(np.round(cells.x, 6))) < 2:
        raise NotEnoughEvidence(
            because=f"it rests on {counted(wrenches, 'wrench')} checked as found",
            needed=f"{FEWEST_WRENCHES} wrenches checked at the bottom and at the top of their "
            "range would do for a first answer",
        )
    readings = cells.by_wrench(cells.count[:, None])[:, 0]
    weight = cells.count / readings[cells.wrench]
    per_reading = weight / cells.count
    z = np.stack([np.ones_like(cells.x), 1.0 / cells.x], axis=-1)
    variance = np.ones_like(cells.x)
    for _ in range(20):
        pull = weight / variance
        information = np.einsum("m,mi,mj->mij", pull, z, z)
        mean = np.linalg.solve(information.sum(axis=0), (pull * cells.mean_pct) @ z)
        gap = cells.mean_pct - z @ mean
        square = per_reading * cells.square + weight * gap**2
        found = curve_scores(
            cells.x, square, weight, np.zeros_like(cells.x), cells.wrench, wrenches
        )
        spread = VarianceCurve(found.bottom, found.ends, np.zeros((2, 2)), wrenches - 1.0)
        variance = spread.variance(cells.x)
    pull = weight / variance
    score, stacked = np.zeros((wrenches, 4)), np.zeros((wrenches, 4, 4))
    np.add.at(score[:, :2], cells.wrench, (pull * gap)[:, None] * z)
    np.add.at(stacked[:, :2, :2], cells.wrench, np.einsum("m,mi,mj->mij", pull, z, z))
    score[:, 2:], stacked[:, 2:, 2:] = found.score, found.information
    covariance = jackknife_covariance(score, stacked)
    return ErrorCurve(
        mean=mean,
        spread=VarianceCurve(found.bottom, found.ends, covariance[2:, 2:], wrenches - 1.0),
        covariance=covariance,
    )
