"""Repeatability and reproducibility of one wrench, for each band of its range.

    s_r   repeatability: SD of readings of one check at one target
    s_b   SD of the effect of a check, shared by all its readings (hand, fixture, temperature, day)
    s_R   reproducibility: sqrt(s_r² + s_b²), a reading in another check

all in % of reading. What is not chance is taken out before s_b is taken: the level of each target,
the level of each segment (an adjustment begins a new one) and, where enough checks are left, a
straight trend in time common to the segments.

Terms and model: ISO 5725-1 and -2, with the check in the place of the laboratory; VIM 2.21, 2.25.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.bands import Bands
from analysis.errors import NotEnoughEvidence
from analysis.variance_levels import SdEstimate, VarianceLevels, variance_levels, within_estimate
from analysis.vocabulary import Band, CheckKind, Direction

# A trend is taken out only where this many degrees of freedom are left between checks.
_LEFT_AFTER_TREND: Final = 2


@dataclass(frozen=True, slots=True)
class BandRepeatability:
    """One band in one direction; SDs in % of reading.

    checks, readings  used
    targets           how many distinct targets
    within            s_r, pooled over all checks and targets of the band
    between           s_b, zero when checks differ no more than readings do
    reproducibility   s_R, never below s_r
    removed           what was taken out before s_b, in words; drift left in stays in s_b
    confidence        of all intervals
    """

    band: Band
    checks: int
    readings: int
    targets: int
    within: SdEstimate
    between: SdEstimate | NotEnoughEvidence
    reproducibility: SdEstimate | NotEnoughEvidence
    removed: tuple[str, ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """All bands of one wrench in one direction."""

    direction: Direction
    bands: Mapping[Band, BandRepeatability | NotEnoughEvidence]


def repeatability(
    deviations: pl.DataFrame,
    direction: Direction,
    bands: Bands,
    *,
    confidence: float = 0.95,
) -> Repeatability:
    """Repeatability and reproducibility SD for each band.

    deviations  frame of `analysis.deviation.with_deviations`, of one wrench, any directions
    direction   the one asked about
    confidence  of the intervals, in (0, 1)

    s_r has the exact interval for normal readings. Where a band holds several targets their scatter
    is pooled: the answer is that of an average target of the band. s_b and s_R have approximate
    intervals (`analysis.variance_levels`).

    Raises ValueError when the frame holds more than one wrench.
    """
    rows = ordered_rows(deviations, direction, bands)
    answers: dict[Band, BandRepeatability | NotEnoughEvidence] = {}
    for band in Band:
        try:
            answers[band] = _of_band(rows.filter(pl.col("band") == band.value), band, confidence)
        except NotEnoughEvidence as finding:
            answers[band] = finding
    return Repeatability(direction, answers)


def ordered_rows(deviations: pl.DataFrame, direction: Direction, bands: Bands) -> pl.DataFrame:
    """The rows of one direction in order of time, with `band`, `segment` and `at` added.

    segment  0, 1, ... counts adjustments
    at       the target as a share of full scale, rounded so that one target entered in two units
             of torque is one target

    A check as left begins a segment unless it is the first of the history. Of two checks at one
    instant the one found comes before the one left.

    Raises ValueError when the frame holds more than one wrench.
    """
    if deviations["wrench"].n_unique() > 1:
        raise ValueError("the frame holds more than one wrench")
    left = (pl.col("kind") == CheckKind.AS_LEFT.value).alias("left")
    return (
        deviations.filter(pl.col("direction") == direction.value)
        .with_columns(left, bands.column(), pl.col("x").round(6).alias("at"))
        .sort("day", "left", "check", maintain_order=True)
        .with_columns((pl.col("check").rle_id() > 0).alias("later"))
        .with_columns(
            (pl.col("left") & pl.col("later") & (pl.col("check") != pl.col("check").shift()))
            .fill_null(False)
            .cum_sum()
            .alias("segment")
        )
        .drop("left", "later")
    )


def pooled_within(rows: pl.DataFrame, column: str = "deviation_pct") -> tuple[float, int]:
    """Sum of squares and degrees of freedom of repeats about their own check's mean at a target."""
    cell = ["check", "at"]
    # From the first reading of the cell first: equal readings then leave exactly nothing.
    from_first = pl.col(column) - pl.col(column).first().over(cell)
    spread = pl.col("from_first") - pl.col("from_first").mean().over(cell)
    squares = rows.select(*cell, from_first.alias("from_first")).select((spread**2).sum()).item()
    return float(squares), rows.height - rows.select(cell).n_unique()


def _of_band(rows: pl.DataFrame, band: Band, confidence: float) -> BandRepeatability:
    if rows.is_empty():
        raise NotEnoughEvidence(
            because="no check has a target in this band",
            needed="measure a target of this band, several readings each time",
        )
    squares, df = pooled_within(rows)
    if df < 1:
        raise NotEnoughEvidence(
            because="every target of this band was read only once in each check",
            needed="repeat the readings: five at each target",
        )
    within = within_estimate(squares, df, confidence)
    between: SdEstimate | NotEnoughEvidence
    reproducibility: SdEstimate | NotEnoughEvidence
    try:
        levels, removed = _levels(rows, confidence)
    except NotEnoughEvidence as finding:
        between = reproducibility = finding
        removed = ()
    else:
        between = levels.between
        # Targets that move against each other from check to check count as scatter in `levels`.
        reproducibility = levels.total if levels.total.sd > within.sd else within
    return BandRepeatability(
        band=band,
        checks=rows["check"].n_unique(),
        readings=rows.height,
        targets=rows["at"].n_unique(),
        within=within,
        between=between,
        reproducibility=reproducibility,
        removed=removed,
        confidence=confidence,
    )


def _levels(rows: pl.DataFrame, confidence: float) -> tuple[VarianceLevels, tuple[str, ...]]:
    checks, segments = rows["check"].n_unique(), rows["segment"].n_unique()
    if checks <= segments:
        raise NotEnoughEvidence(
            because="one check only" if checks == 1 else "each check began after an adjustment",
            needed="one more check of this wrench before its next adjustment",
        )
    columns: list[Array] = []
    removed: list[str] = []
    if rows["at"].n_unique() > 1:
        columns += _indicators(rows["at"])
        removed.append("the level of each target")
    if segments > 1:
        columns += _indicators(rows["segment"])
        removed.append("the level after each adjustment")
    moves = rows.group_by("segment").agg(pl.col("day").n_unique())["day"].max() != 1
    if moves and checks - segments - 1 >= _LEFT_AFTER_TREND:
        day = rows["day"].to_numpy()
        columns.append((day - day.mean()) / max(float(np.ptp(day)), 1.0))
        removed.append("a straight trend in time")
    levels = variance_levels(
        rows["deviation_pct"].to_numpy(),
        rows["check"].to_numpy(),
        fixed=np.column_stack(columns) if columns else None,
        confidence=confidence,
    )
    return levels, tuple(removed)


def _indicators(column: pl.Series) -> list[Array]:
    """One 0/1 column for each distinct value but the first."""
    return [(column == value).cast(pl.Float64).to_numpy() for value in column.unique().sort()[1:]]
