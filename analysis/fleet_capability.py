"""Ppk of every wrench of a fleet, for each band and direction, in one pass over the readings.

The same numbers as `analysis.capability` gives for one wrench: deviations as shares of their limit,
since the last adjustment; MSB and MSW between and within checks, the between-check variance from
them in closed form where all checks hold as many readings, else by restricted likelihood, for all
wrenches at once. See there, and `analysis.variance_levels`, for terms and sources.
"""

from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array, Flags
from analysis.bands import Bands
from analysis.capability import FEWEST_DF
from analysis.vocabulary import CheckKind

_HISTORY: Final = ("wrench", "direction")
_GROUP: Final = (*_HISTORY, "band")
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
    checks = _since_adjustment(deviations, bands)
    grand = (pl.col("n") * pl.col("mean")).sum() / pl.col("n").sum()
    groups = checks.group_by(_GROUP, maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("checks"),
        pl.col("n").sum().alias("readings"),
        grand.alias("grand"),
        (pl.col("n") * (pl.col("mean") - grand) ** 2).sum().alias("between"),
        pl.col("squares").sum().alias("within"),
        (pl.col("n") ** 2).sum().alias("n_squared"),
        (pl.col("n").min() == pl.col("n").max()).alias("even"),
    )
    return groups.select(*_GROUP, "checks", "readings").hstack(_indices(groups, checks))


def _since_adjustment(deviations: pl.DataFrame, bands: Bands) -> pl.DataFrame:
    """Count, mean and squares about it of each check in each band, since the last adjustment."""
    share = pl.col("deviation_pct") / pl.col("mpd_pct")
    return (
        deviations.filter(pl.col("mpd_pct").is_not_null())
        .group_by(*_HISTORY, "check", bands.column())
        .agg(
            pl.col("day").first(),
            (pl.col("kind").first() == CheckKind.AS_LEFT.value).alias("left"),
            pl.len().cast(pl.Int64).alias("n"),
            share.mean().alias("mean"),
            (share.var(ddof=0) * pl.len()).alias("squares"),
        )
        .sort(*_HISTORY, "day", "left", "check")
        .with_columns((pl.col("check") != pl.col("check").first().over(_HISTORY)).alias("later"))
        .with_columns(
            # Every band of a check begins the segment anew; only the last one's place counts.
            (
                pl.col("left")
                & pl.col("later")
                & (pl.col("check") != pl.col("check").shift().over(_HISTORY)).fill_null(value=True)
            )
            .cum_sum()
            .over(_HISTORY)
            .alias("segment")
        )
        .filter(pl.col("segment") == pl.col("segment").max().over(_HISTORY))
    )


def _indices(groups: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Columns mean, sd and ppk of each group."""
    from scipy.special import chdtri  # slow to import, needed only for this

    k, n = groups["checks"].to_numpy(), groups["readings"].to_numpy().astype(np.float64)
    df_between, df_within = k - 1.0, n - k
    known: Flags = np.asarray((df_between >= 1) & (df_within >= 1))
    between_df, within_df = np.where(known, df_between, 1.0), np.where(known, df_within, 1.0)
    msb = groups["between"].to_numpy() / between_df
    msw = groups["within"].to_numpy() / within_df
    per_check = np.where(known, (n - groups["n_squared"].to_numpy() / n) / between_df, 1.0)
    between = np.maximum(msb - msw, 0.0) / per_check
    mean = groups["grand"].to_numpy().copy()
    uneven = known & ~groups["even"].to_numpy() & (msw > 0)
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


def _uneven(
    groups: pl.DataFrame, checks: pl.DataFrame, which: Flags, ratio: Array
) -> tuple[Array, Array]:
    """Mean and between-check variance of the groups whose checks differ in readings, by REML.

    ratio  (G,) between over within variance where it is known already; nan: to be searched
    """
    rows = (
        groups.select(_GROUP)
        .with_columns(pl.Series("g", np.where(which, np.cumsum(which) - 1, -1)))
        .filter(pl.col("g") >= 0)
        .join(checks, on=_GROUP, how="left", maintain_order="left")
        .with_columns(pl.int_range(pl.len()).over("g").alias("c"))
    )
    place = rows["g"].to_numpy(), rows["c"].to_numpy()
    count = np.zeros((int(which.sum()), int(place[1].max()) + 1))
    y = np.zeros_like(count)
    count[place], y[place] = rows["n"].to_numpy(), rows["mean"].to_numpy()
    within = groups["within"].to_numpy()[which]
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
