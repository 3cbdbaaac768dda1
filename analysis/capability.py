"""Capability of one wrench against its maximum permissible deviation, for each band.

Each deviation is divided by the MPD at its own reading, z = deviation / MPD, so the limits are -1
and +1 and the target is 0 for every reading. With an MPD in % of reading that is a change of unit.
With an MPD in % of full scale the limits in % of reading differ from target to target; z is then
the error as a share of the permitted error, and the readings of a band can be judged together.

    Cp  = 1 / (3 s)        Cpk = (1 - |mean|) / (3 s)      s = within-check SD: what repeats allow
    Pp, Ppk                the same with the overall SD: checks differ too, and targets of the band
    Cpm = 1 / (3 sqrt(s² + mean²))                         overall SD; misses of the target count

Readings of one check share its effect, so 15 readings in 3 checks are not 15 independent ones. The
mean counts as the mean of m = s² / u²(mean) independent readings, and the overall SD has effective
degrees of freedom (`analysis.variance_levels`). Only readings since the last adjustment are used:
before it the wrench was another one. Its drift since then is part of the overall SD.

Sources: NIST/SEMATECH e-Handbook 6.1.6 (indices); D. C. Montgomery, Introduction to Statistical
Quality Control (interval of Cp); L. K. Chan, S. W. Cheng, F. A. Spiring, J. Quality Technology 20
(1988) 162-175 (Cpm). The lower limit of Cpk is the exact one-sided one by the noncentral t
distribution: it belongs to the far off-centre case and is safe for all others.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from analysis.bands import Bands
from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.repeatability import ordered_rows, pooled_within
from analysis.tolerance import howe_factor, standardised_distance_limit, two_sided_factor
from analysis.variance_levels import VarianceLevels, variance_levels
from analysis.vocabulary import Band, Direction

CONTENT: Final = 0.95  # share of pulls that the tolerance interval is to hold
FEWEST_DF: Final = 2.0  # below it every limit is too wide to say anything
_NO_SCATTER: Final = 1e-9  # share of the MPD: rounding of equal readings, see analysis.deviation


@dataclass(frozen=True, slots=True)
class Indices:
    """Capability by one SD; everything in shares of the MPD, so the limits are -1 and 1.

    sd                   standard deviation
    df                   its degrees of freedom, effective
    effective_readings   m: independent readings that the mean is worth
    index                Cp or Pp
    index_low, index_high  two-sided interval by chi-squared
    nearer               Cpk or Ppk: to the nearer limit
    nearer_low           one-sided lower confidence limit of it
    fraction_outside     expected share of pulls outside the MPD were mean and SD exact (normal)
    fraction_outside_predicted  the same with their uncertainty in it (t distribution): larger
    """

    sd: float
    df: float
    effective_readings: float
    index: float
    index_low: float
    index_high: float
    nearer: float
    nearer_low: float
    fraction_outside: float
    fraction_outside_predicted: float


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """Mean ± k SD that holds `content` of the pulls with `confidence`, in shares of the MPD.

    factor        exact k
    factor_howe   Howe's approximation, for comparison with tables that print it
    """

    low: float
    high: float
    factor: float
    factor_howe: float
    content: float
    confidence: float


@dataclass(frozen=True, slots=True)
class OverallCapability:
    """What needs at least two checks.

    performance  Pp and Ppk
    cpm
    tolerance
    """

    performance: Indices
    cpm: float
    tolerance: ToleranceInterval


@dataclass(frozen=True, slots=True)
class BandCapability:
    """One band in one direction, since the last adjustment.

    checks, readings     used
    mean                 of deviation / MPD; positive: the wrench delivers less than it says
    mean_u               its standard uncertainty; from one check it leaves the check's effect out
    mpd_low_pct, mpd_high_pct  smallest and largest MPD of the readings, % of reading: times these,
                         shares of the MPD are % of reading
    within               Cp and Cpk
    overall              Pp, Ppk, Cpm and the tolerance interval
    confidence           of all limits
    """

    band: Band
    checks: int
    readings: int
    mean: float
    mean_u: float
    mpd_low_pct: float
    mpd_high_pct: float
    within: Indices | NotEnoughEvidence
    overall: OverallCapability | NotEnoughEvidence
    confidence: float


@dataclass(frozen=True, slots=True)
class Capability:
    """All bands of one wrench in one direction."""

    direction: Direction
    bands: Mapping[Band, BandCapability | NotEnoughEvidence]


def capability(
    deviations: pl.DataFrame,
    direction: Direction,
    bands: Bands,
    *,
    confidence: float = 0.95,
) -> Capability:
    """Capability indices for each band.

    deviations  frame of `analysis.deviation.with_deviations`, of one wrench, any directions
    confidence  of all limits, in (0, 1)

    A band, or one half of its answer, is NotEnoughEvidence where the data are too thin: fewer than
    two checks for the overall indices, fewer than FEWEST_DF degrees of freedom, no scatter seen.

    Raises OutsideRange when the wrench has no stated tolerance in this direction, ValueError when
    the frame holds more than one wrench.
    """
    rows = ordered_rows(deviations, direction, bands)
    if rows.height and rows["mpd_pct"].null_count() == rows.height:
        raise OutsideRange(
            because=f"the wrench has no stated tolerance {direction.value.replace('_', '-')}",
            needed="state the maximum permissible deviation of that direction",
        )
    rows = rows.filter(pl.col("segment") == pl.col("segment").max()).with_columns(
        (pl.col("deviation_pct") / pl.col("mpd_pct")).alias("share")
    )
    answers: dict[Band, BandCapability | NotEnoughEvidence] = {}
    for band in Band:
        of_band = rows.filter(pl.col("band") == band.value)
        if of_band.is_empty():
            answers[band] = NotEnoughEvidence(
                because="no check since the last adjustment has a target in this band",
                needed="measure a target of this band, several readings each time",
            )
        else:
            answers[band] = _of_band(of_band, band, confidence)
    return Capability(direction, answers)


def indices(
    mean: float, sd: float, *, df: float, effective_readings: float, confidence: float = 0.95
) -> Indices:
    """Capability indices of a normal characteristic with limits -1 and 1.

    For limits L, U and a value y, mean and sd are those of (2 y - L - U) / (U - L).

    df, effective_readings  of n independent readings: n - 1 and n

    Raises NotEnoughEvidence for fewer than FEWEST_DF degrees of freedom or no scatter at all.
    """
    from scipy.special import chdtri, ndtr, stdtr

    if df < FEWEST_DF:
        raise NotEnoughEvidence(
            because=f"the scatter rests on {df:.1f} degrees of freedom, fewer than {FEWEST_DF:g}",
            needed="more checks, and several readings at each target",
        )
    if sd <= _NO_SCATTER:
        raise NotEnoughEvidence(
            because="all readings are equal, so the scatter is below what the tester resolves",
            needed="readings with a finer resolution",
        )
    tail = (1.0 - confidence) / 2.0
    index = 1.0 / (3.0 * sd)
    to_nearer = (1.0 - abs(mean)) / sd
    predicted_sd = sd * math.sqrt(1.0 + 1.0 / effective_readings)
    return Indices(
        sd=sd,
        df=df,
        effective_readings=effective_readings,
        index=index,
        index_low=index * math.sqrt(float(chdtri(df, 1.0 - tail)) / df),
        index_high=index * math.sqrt(float(chdtri(df, tail)) / df),
        nearer=to_nearer / 3.0,
        nearer_low=standardised_distance_limit(to_nearer, effective_readings, df, confidence) / 3.0,
        fraction_outside=float(ndtr(-(1.0 - mean) / sd) + ndtr(-(1.0 + mean) / sd)),
        fraction_outside_predicted=float(
            stdtr(df, -(1.0 - mean) / predicted_sd) + stdtr(df, -(1.0 + mean) / predicted_sd)
        ),
    )


def _of_band(rows: pl.DataFrame, band: Band, confidence: float) -> BandCapability:
    share = rows["share"].to_numpy()
    checks = rows["check"].n_unique()
    squares, within_df = pooled_within(rows, "share")
    within_sd = math.sqrt(squares / within_df) if within_df else 0.0
    mean, mean_u = float(share.mean()), within_sd / math.sqrt(share.size)
    overall: OverallCapability | NotEnoughEvidence
    within: Indices | NotEnoughEvidence
    try:
        if checks < 2:
            raise NotEnoughEvidence(
                because="there is one check only, and it cannot show how checks differ",
                needed="a second check of this wrench before its next adjustment",
            )
        # Groups are checks; several targets of a band make part of the scatter within a check, for
        # a pull may come at any of them.
        levels = variance_levels(share, rows["check"].to_numpy(), confidence=confidence)
        # Checks that by chance agree better than their readings must not make the mean look surer.
        mean, mean_u = levels.mean, max(levels.mean_u, levels.within.sd / math.sqrt(share.size))
        overall = _overall(levels, mean_u)
    except NotEnoughEvidence as finding:
        overall = finding
    try:
        within = indices(
            mean,
            within_sd,
            df=within_df,
            effective_readings=_worth(within_sd, mean_u, share.size),
            confidence=confidence,
        )
    except NotEnoughEvidence as finding:
        within = finding
    return BandCapability(
        band=band,
        checks=checks,
        readings=share.size,
        mean=mean,
        mean_u=mean_u,
        mpd_low_pct=float(rows.select(pl.col("mpd_pct").min()).item()),
        mpd_high_pct=float(rows.select(pl.col("mpd_pct").max()).item()),
        within=within,
        overall=overall,
        confidence=confidence,
    )


def _overall(levels: VarianceLevels, mean_u: float) -> OverallCapability:
    mean, sd, df, confidence = levels.mean, levels.total.sd, levels.total.df, levels.confidence
    worth = _worth(sd, mean_u, levels.readings)
    performance = indices(mean, sd, df=df, effective_readings=worth, confidence=confidence)
    k = two_sided_factor(worth, df, content=CONTENT, confidence=confidence)
    return OverallCapability(
        performance=performance,
        cpm=1.0 / (3.0 * math.hypot(sd, mean)),
        tolerance=ToleranceInterval(
            low=mean - k * sd,
            high=mean + k * sd,
            factor=k,
            factor_howe=howe_factor(worth, df, content=CONTENT, confidence=confidence),
            content=CONTENT,
            confidence=confidence,
        ),
    )


def _worth(sd: float, mean_u: float, readings: int) -> float:
    return min(float(readings), (sd / mean_u) ** 2) if mean_u > 0 else float(readings)
