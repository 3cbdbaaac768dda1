"""Scatter, typical error, bias and drift in each part of the range, and at each place checked."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.bands import Bands
from analysis.clustered import (
    Estimate,
    error_of_leaving_out,
    plain_estimate,
    positive_estimate,
)
from analysis.range_cells import RangeCells
from analysis.range_error import typical_error
from analysis.range_evidence import RangeEvidence
from analysis.range_law import RangeLaw, Spread
from analysis.vocabulary import Band


@dataclass(frozen=True, slots=True)
class BandStudy:
    """One part of the range.

    label            the band in words
    x                mean place of its readings
    scatter_pct      SD of one reading within its check
    error_pct        root mean square deviation as found
    bias_pct         mean deviation as found, over wrenches
    bias_spread_pct  SD between wrenches of their mean deviations
    drift_pct_per_year  how far a wrench moves there in a year, root mean square
    outside          share of as-found readings outside the limit
    wrenches, checks, readings  as found
    """

    band: Band
    label: str
    x: float
    scatter_pct: Estimate | None
    error_pct: Estimate | None
    bias_pct: Estimate | None
    bias_spread_pct: float | None
    drift_pct_per_year: Spread | None
    outside: float | None
    wrenches: int
    checks: int
    readings: int


@dataclass(frozen=True, slots=True)
class PlaceStudy:
    """All readings at one share of full scale, rounded to a hundredth: a point to plot."""

    x: float
    scatter_pct: Estimate | None
    error_pct: Estimate | None
    outside: float | None
    wrenches: int
    readings: int


def bands_of(cells: RangeCells, bands: Bands) -> NDArray[np.str_]:
    """(M,) name of each cell's band."""
    return np.array([bands.of(x).value for x in cells.x], dtype=np.str_)


def _pooled_scatter(cells: RangeCells) -> Estimate | None:
    """SD within checks of the chosen cells, with the doubt between wrenches."""
    repeated = cells.where(cells.count >= 2)
    if len(repeated.wrenches) < 2:
        return None
    df = repeated.count - 1
    rounded = df * repeated.step_variance / repeated.x**2
    square = repeated.by_wrench((repeated.square - rounded)[:, None])[:, 0]
    weight = repeated.by_wrench(df[:, None])[:, 0]
    total = float(square.sum() / weight.sum())
    if total <= 0:
        return None  # nothing but rounding
    se = error_of_leaving_out((square.sum() - square) / (weight.sum() - weight))
    return positive_estimate(float(np.log(total)) / 2, se / total / 2, len(weight) - 1.0)


def band_study(
    evidence: RangeEvidence,
    bands: Bands,
    band: Band,
    law: RangeLaw | None,
) -> BandStudy:
    """One band of a mechanism in one direction; `law` None: its drift is not known."""
    here = evidence.found.where(bands_of(evidence.found, bands) == band.value)
    cells = evidence.cells.where(bands_of(evidence.cells, bands) == band.value)
    rows = evidence.found_readings.filter(bands.column() == band.value)
    place = float(np.average(here.x, weights=here.count)) if len(here.x) else float("nan")
    means = _means_of_wrenches(here)
    several = len(means) > 1
    deviation = float(means.std(ddof=1)) if several else None
    return BandStudy(
        band=band,
        label=bands.label(band),
        x=place,
        scatter_pct=_pooled_scatter(cells),
        error_pct=typical_error(here),
        bias_pct=plain_estimate(
            float(means.mean()), float(deviation / np.sqrt(len(means))), len(means) - 1.0
        )
        if deviation is not None
        else None,
        bias_spread_pct=deviation,
        drift_pct_per_year=law.drift_sd(place) if law is not None and len(here.x) else None,
        outside=_outside(rows),
        wrenches=len(here.wrenches),
        checks=here.checks if len(here.x) else 0,
        readings=int(here.count.sum()),
    )


def _means_of_wrenches(cells: RangeCells) -> Array:
    if not len(cells.wrenches):
        return np.zeros(0)
    total = cells.by_wrench((cells.count * cells.mean_pct)[:, None])[:, 0]
    return np.asarray(total / cells.by_wrench(cells.count[:, None])[:, 0])


def _outside(rows: pl.DataFrame) -> float | None:
    """Share of readings outside their limit; None without a stated limit."""
    judged = rows.filter(pl.col("mpd_pct").is_not_null())
    if not judged.height:
        return None
    beyond = judged.select((pl.col("deviation_pct").abs() > pl.col("mpd_pct")).mean()).item()
    return float(beyond)


def places(evidence: RangeEvidence) -> tuple[PlaceStudy, ...]:
    """Every place that was checked, from the bottom up."""
    rounded_cells = np.round(evidence.cells.x, 2)
    rounded_found = np.round(evidence.found.x, 2)
    found = []
    for x in np.unique(rounded_cells):
        cells = evidence.cells.where(rounded_cells == x)
        as_found = evidence.found.where(rounded_found == x)
        found.append(
            PlaceStudy(
                x=float(x),
                scatter_pct=_pooled_scatter(cells),
                error_pct=typical_error(as_found),
                outside=_outside(evidence.found_readings.filter(pl.col("x").round(2) == float(x))),
                wrenches=len(cells.wrenches),
                readings=int(cells.count.sum()),
            )
        )
    return tuple(found)
