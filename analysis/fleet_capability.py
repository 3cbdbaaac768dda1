"""Ppk of every wrench of a fleet, for each band and direction, in one pass over the readings.

The same numbers as `analysis.capability` gives for one wrench: deviations as shares of their limit,
since the last adjustment; MSB and MSW between and within checks, the between-check variance from
them in closed form where all checks hold as many readings, else by restricted likelihood, for all
wrenches at once. See there, and `analysis.variance_levels`, for terms and sources.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.bands import Bands
from analysis.capability import FEWEST_DF
from analysis.visits import Visits
from analysis.vocabulary import Band

_CONFIDENCE: Final = 0.95
_NO_SCATTER: Final = 1e-9  # share of the limit, as in `analysis.capability`
_GRID: Final = 200
_GOLDEN: Final = (np.sqrt(5.0) - 1.0) / 2.0
_NARROWINGS: Final = 70


def fleet_capability(deviations: pl.DataFrame, bands: Bands) -> pl.DataFrame:
    """Ppk for each wrench, direction and band.

    deviations  frame of `analysis.deviation.with_deviations`, of any number of wrenches

    Columns
        wrench, direction, band
        checks, readings  since the last adjustment
        mean, sd          of deviation / limit: the general mean, and the overall SD
        ppk
    A direction without a stated tolerance has no rows. mean, sd and ppk are null where the data
    are too thin for `analysis.capability` to answer.
    """
    known = deviations.filter(pl.col("mpd_pct").is_not_null()).select(
        "wrench", "direction", "check", "day", "cycles", "kind", "x",
        (pl.col("deviation_pct") / pl.col("mpd_pct")).alias("share"),
    )  # fmt: skip
    visits = Visits.of(known)
    checks = _since_adjustment(visits, bands.numbers(known["x"].to_numpy()), known["share"])
    groups = _Groups.of(checks)
    first = np.flatnonzero(visits.place == 0)[groups.group // len(Band)]
    return (
        visits.frame.select("wrench", "direction")[first]
        .with_columns(
            pl.Series("band", [band.value for band in Band])[groups.group % len(Band)],
            pl.Series("checks", groups.checks),
            pl.Series("readings", groups.readings.astype(np.int64)),
        )
        .hstack(_indices(groups, checks))
    )


@dataclass(frozen=True, slots=True)
class _Checks:
    """Checks in each band, in order of group and time: M of them.

    group    a wrench, direction and band, as a number
    n, mean  of the shares;  squares: about that mean
    """

    group: NDArray[np.intp]
    n: Array
    mean: Array
    squares: Array


@dataclass(frozen=True, slots=True)
class _Groups:
    """G wrenches, directions and bands, with sums over their checks.

    row                (M,) which of them each check belongs to
    group              (G,) as a number
    checks, readings   how many
    grand              general mean
    between, within    squares of the checks' means about that, and of readings about their check's
    n_squared          of the checks' numbers of readings
    even               whether all checks hold as many
    """

    row: NDArray[np.intp]
    group: NDArray[np.intp]
    checks: NDArray[np.intp]
    readings: Array
    grand: Array
    between: Array
    within: Array
    n_squared: Array
    even: Flags

    @classmethod
    def of(cls, checks: _Checks) -> Self:
        group, row, count = np.unique(checks.group, return_inverse=True, return_counts=True)
        row = np.reshape(row, checks.group.shape)

        def summed(values: Array) -> Array:
            return np.asarray(np.bincount(row, values, len(group)), dtype=np.float64)

        readings = summed(checks.n)
        grand = summed(checks.n * checks.mean) / readings
        n_squared = summed(checks.n**2)
        return cls(
            row=row,
            group=group,
            checks=count,
            readings=readings,
            grand=grand,
            between=summed(checks.n * (checks.mean - grand[row]) ** 2),
            within=summed(checks.squares),
            n_squared=n_squared,
            even=n_squared * count == readings**2,  # whole numbers; Cauchy's inequality
        )


def _since_adjustment(visits: Visits, band: NDArray[np.intp], share: pl.Series) -> _Checks:
    """Count, mean and squares about it of each check in each band, since the last adjustment."""
    renewed = np.cumsum(visits.frame["left"].to_numpy() & (visits.place > 0))
    last = np.flatnonzero(np.diff(visits.history, append=-1))
    kept = renewed == renewed[last][visits.history]
    cell = visits.of_row * len(Band) + band
    y, size = share.to_numpy(), len(visits.place) * len(Band)
    n = np.bincount(cell, minlength=size).astype(np.float64)
    mean = np.bincount(cell, y, size) / np.maximum(n, 1.0)
    squares = np.asarray(np.bincount(cell, (y - mean[cell]) ** 2, size), dtype=np.float64)
    at = np.flatnonzero((n > 0) & np.repeat(kept, len(Band)))
    group = visits.history[at // len(Band)] * len(Band) + at % len(Band)
    order = np.argsort(group, kind="stable")
    at = at[order]
    return _Checks(group[order], n[at], mean[at], squares[at])


def _indices(groups: _Groups, checks: _Checks) -> pl.DataFrame:
    """Columns mean, sd and ppk of each group."""
    from scipy.special import chdtri  # slow to import, needed only for this

    k, n = groups.checks, groups.readings
    df_between, df_within = k - 1.0, n - k
    known: Flags = np.asarray((df_between >= 1) & (df_within >= 1))
    between_df, within_df = np.where(known, df_between, 1.0), np.where(known, df_within, 1.0)
    msb, msw = groups.between / between_df, groups.within / within_df
    per_check = np.where(known, (n - groups.n_squared / n) / between_df, 1.0)
    between = np.maximum(msb - msw, 0.0) / per_check
    mean = groups.grand.copy()
    uneven = known & ~groups.even & (msw > 0)
    if uneven.any():
        ratio = np.where(k == 2, between / np.where(msw > 0, msw, 1.0), np.nan)
        own, variance = _uneven(groups, checks, uneven, ratio[uneven])
        mean[uneven] = own
        between[uneven] = np.where(k[uneven] == 2, between[uneven], variance)
    sd = np.sqrt(msw + between)
    # Effective degrees of freedom fall as the one-sided upper limit of the variance rises.
    parts = np.stack([np.maximum(msb, msw) / per_check, (1.0 - 1.0 / per_check) * msw])
    chi = [df / chdtri(df, _CONFIDENCE) - 1.0 for df in (between_df, within_df)]
    total = np.maximum(parts.sum(axis=0), np.finfo(np.float64).tiny)
    upper = 1.0 + np.hypot(parts[0] * chi[0], parts[1] * chi[1]) / total
    known &= (upper <= FEWEST_DF / chdtri(FEWEST_DF, _CONFIDENCE)) & (sd > _NO_SCATTER)
    ppk = (1.0 - np.abs(mean)) / (3.0 * np.where(known, sd, 1.0))
    return pl.DataFrame(
        {
            name: np.where(known, values, np.nan)
            for name, values in (("mean", mean), ("sd", sd), ("ppk", ppk))
        }
    ).fill_nan(None)


def _uneven(groups: _Groups, checks: _Checks, which: Flags, ratio: Array) -> tuple[Array, Array]:
    """Mean and between-check variance of the groups whose checks differ in readings, by REML.

    ratio  (G,) between over within variance where it is known already; nan: to be searched
    """
    begins = np.searchsorted(groups.row, groups.row)
    here = which[groups.row]
    row = (np.cumsum(which) - 1)[groups.row[here]]
    number = (np.arange(len(begins)) - begins)[here]
    count = np.zeros((int(which.sum()), int(number.max()) + 1))
    y = np.zeros_like(count)
    count[row, number], y[row, number] = checks.n[here], checks.mean[here]
    within = groups.within[which]
    df = count.sum(axis=1) - 1.0

    def fit(theta: Array) -> tuple[Array, Array, Array]:
        """Criterion (-2 log restricted likelihood), mean and variance within."""
        weight = count / (1.0 + theta[:, None] * count)
        total = weight.sum(axis=1)
        mean = (weight * y).sum(axis=1) / total
        variance = (within + (weight * (y - mean[:, None]) ** 2).sum(axis=1)) / df
        spread = np.log1p(theta[:, None] * count).sum(axis=1)
        return df * np.log(variance) + spread + np.log(total), mean, variance

    def criterion(share: Array) -> Array:
        return fit(share / (1.0 - share))[0]

    grid = (1.0 - np.cos(np.linspace(0.0, np.pi, _GRID))) / 2.0
    grid[-1] = 1.0 - 1e-12
    heights = np.stack([criterion(np.full(len(df), share)) for share in grid])
    best = heights.argmin(axis=0)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, _GRID - 1)]
    for _ in range(_NARROWINGS):
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        leftwards = criterion(left) < criterion(right)
        low, high = np.where(leftwards, low, left), np.where(leftwards, right, high)
    share = (low + high) / 2.0
    share = np.where(criterion(share) < heights[0], share, 0.0)
    theta = np.where(np.isnan(ratio), share / (1.0 - share), ratio)
    _, mean, variance = fit(theta)
    return mean, theta * variance
