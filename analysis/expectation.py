"""What a wrench's history leads one to expect of its next check at one target.

Both answers need no model: the scatter is that of earlier repeats in the same band; the change is
that from check to check at the same target so far, drift included.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from analysis.bands import Bands
from analysis.remeasure import Prediction, Scatter
from analysis.repeatability import ordered_rows, pooled_within
from analysis.vocabulary import Band, CheckKind, Direction

# Fewer changes than this say next to nothing of how large the next may be.
_FEWEST_CHANGES: Final = 2


@dataclass(frozen=True, slots=True)
class Expectation:
    """None where the history has nothing to say."""

    scatter: Scatter | None
    predicted: Prediction | None


def expect(
    history: pl.DataFrame,
    direction: Direction,
    x: float,
    bands: Bands,
    *,
    kind: CheckKind,
) -> Expectation:
    """What to expect of the next check at one target; see `expect_each`."""
    (expected,) = expect_each(history, direction, (x,), bands, kind=kind)
    return expected


def expect_each(
    history: pl.DataFrame,
    direction: Direction,
    targets: Sequence[float],
    bands: Bands,
    *,
    kind: CheckKind,
) -> tuple[Expectation, ...]:
    """What to expect of the next check at each of its targets.

    history    frame of `analysis.deviation.with_deviations`: earlier checks of one wrench
    direction  of the check
    targets    of its points, each as x = target / full scale
    kind       of the coming check: after an adjustment (as left) no level is expected

    scatter    pooled over the earlier repeats of the band, their degrees of freedom with it
    predicted  the mean of the last check at this target; its SD is the root mean square of the
               changes between successive checks there, adjustments not spanned
    """
    rows = ordered_rows(history, direction, bands)
    scatters = {band: _scatter(rows, band) for band in {bands.of(x) for x in targets}}
    return tuple(
        Expectation(
            scatters[bands.of(x)], None if kind is CheckKind.AS_LEFT else _from_changes(rows, x)
        )
        for x in targets
    )


def _scatter(rows: pl.DataFrame, band: Band) -> Scatter | None:
    squares, df = pooled_within(rows.filter(pl.col("band") == band.value))
    if not df:
        return None
    return Scatter(math.sqrt(squares / df), df, f"{df} degrees of freedom of earlier repeats")


def _from_changes(rows: pl.DataFrame, x: float) -> Prediction | None:
    levels = (
        rows.filter(pl.col("at") == round(x, 6))
        .group_by("segment", "check", maintain_order=True)
        .agg(pl.col("deviation_pct").mean().alias("mean"))
    )
    changes = levels.select(pl.col("mean").diff().over("segment"))["mean"].drop_nulls()
    if changes.len() < _FEWEST_CHANGES:
        return None
    rms = math.sqrt(float((changes**2).sum()) / changes.len())
    return Prediction(
        mean_pct=float(levels["mean"][-1]),
        sd_pct=rms,
        df=changes.len(),
        source=f"the last check; {changes.len()} earlier changes",
    )
