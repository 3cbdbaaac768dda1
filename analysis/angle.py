"""How far off the angle is that a wrench shows, and the chance that an angle step goes wrong.

For one direction of one wrench, at a target θ in degrees,

    d(θ) = a + g·θ/100 + s + e

with d = indicated - reference in degrees (positive: the wrench has turned less than it says), a the
offset, g the gain in degrees per 100°, s the effect of the check, shared by all its readings, and e
their scatter. **A check is the unit of evidence, however many readings it holds.** An adjustment
(a check as left) draws a new offset; gain and spreads are taken to stay.

With checks enough, spreads come from restricted likelihood and the next angle of a check not seen
yet is Student's t about the fitted line (degrees of freedom: those of `variance_levels` for the
total). With one or two checks, assumed spreads stand in and the next angle is normal: the answer
says `defaults`. Either way doubt grows with the age of the last check, at an assumed rate.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.random_intercept import fit_random_intercept
from analysis.variance_levels import variance_levels

_DAYS_PER_YEAR: Final = 365.25
_LEAST_DF: Final = 2  # checks left to tell their scatter, after one level for each adjustment


class AngleBasis(StrEnum):
    """What the spreads of an angle law rest on."""

    OWN_CHECKS = "own_checks"
    DEFAULTS = "defaults"


@dataclass(frozen=True, slots=True)
class AssumedSpreads:
    """Standard deviations that stand in while a wrench has too few angle checks.

    offset_deg  of a between wrenches
    gain_deg    of g between wrenches, per 100°; also where every check had the same target
    check_deg   of s
    scatter_deg of e
    wander_deg  that a moves in a year after the last check, growing with the square root of time;
                used beside measured spreads as well
    """

    offset_deg: float
    gain_deg: float
    check_deg: float
    scatter_deg: float
    wander_deg: float


# Chosen so that a wrench that counts true to 2° is believed after one good check. No source.
ASSUMED: Final = AssumedSpreads(
    offset_deg=1.0, gain_deg=1.0, check_deg=0.4, scatter_deg=0.5, wander_deg=0.5
)


@dataclass(frozen=True, slots=True)
class AngleHistory:
    """Angle readings of one wrench in one direction, K checks in order of time.

    day            (K,) UTC days of the checks
    segment        (K,) how many adjustments came before, counted up from 0
    check          (N,) 0 .. K - 1, the check of each reading, every one present
    target_deg     (N,)
    deviation_deg  (N,) indicated - reference
    """

    day: Array
    segment: NDArray[np.intp]
    check: NDArray[np.intp]
    target_deg: Array
    deviation_deg: Array


@dataclass(frozen=True, slots=True)
class AngleLaw:
    """The error law of one wrench's angle, as far as its checks tell it.

    level       (2,) deviation at `centre_deg` since the last adjustment, and g
    covariance  (2, 2) of these
    total_deg   SD of a reading of a check not seen yet about the line
    check_deg, scatter_deg  SD of s and of e, as estimated or assumed
    df          degrees of freedom of the total; infinite where spreads are assumed
    centre_deg  mean of the targets
    lowest_deg, highest_deg  of the targets
    gain_known  False: every check had the same target, and the assumed spread of g stands in
    """

    level: Array
    covariance: Array
    total_deg: float
    check_deg: float
    scatter_deg: float
    df: float
    centre_deg: float
    lowest_deg: float
    highest_deg: float
    gain_known: bool
    basis: AngleBasis
    checks: int
    readings: int
    last_check_day: float


@dataclass(frozen=True, slots=True)
class AngleForecast:
    """The deviation of the next angle step, in degrees: (d - mean) / scale is Student's t with df.

    too_small, too_large  chances that the wrench turns less than it says by more than the MPD; more
    beyond_checked        the step is smaller or larger than any target that was checked
    age_days              from the last check to the day of the step
    """

    target_deg: float
    mpd_deg: float
    mean_deg: float
    scale_deg: float
    df: float
    too_small: float
    too_large: float
    beyond_checked: bool
    age_days: float

    @property
    def risk(self) -> float:
        """The chance that the step is off by more than the MPD either way."""
        return self.too_small + self.too_large


def angle_law(history: AngleHistory, assumed: AssumedSpreads = ASSUMED) -> AngleLaw:
    """The law from the checks; raises NotEnoughEvidence without a reading."""
    if history.check.size == 0:
        raise NotEnoughEvidence(
            because="no angle check speaks for the wrench in this direction",
            needed="one angle check against a reference, five readings at the usual angle, would"
            " do to begin with",
        )
    segments = np.unique(history.segment).size
    if history.day.size - segments >= _LEAST_DF:
        try:
            return _measured(history, assumed)
        except NotEnoughEvidence:
            pass  # e.g. readings that never differ: their spread cannot be told
    return _by_assumption(history, assumed)


def forecast_angle(
    law: AngleLaw,
    target_deg: float,
    mpd_deg: float,
    day: float,
    assumed: AssumedSpreads = ASSUMED,
) -> AngleForecast:
    """The next angle step of `target_deg` > 0 on a UTC day, against ± `mpd_deg` > 0."""
    from scipy.special import ndtr, stdtr  # slow to import, needed only for a forecast

    at = np.array([1.0, (target_deg - law.centre_deg) / 100.0])
    age_days = max(day - law.last_check_day, 0.0)
    wander = assumed.wander_deg**2 * age_days / _DAYS_PER_YEAR
    mean = float(at @ law.level)
    scale = math.sqrt(law.total_deg**2 + float(at @ law.covariance @ at) + wander)

    def below(limit: float) -> float:
        z = (limit - mean) / scale
        return float(ndtr(z) if math.isinf(law.df) else stdtr(law.df, z))

    def above(limit: float) -> float:
        z = (mean - limit) / scale
        return float(ndtr(z) if math.isinf(law.df) else stdtr(law.df, z))

    return AngleForecast(
        target_deg=target_deg,
        mpd_deg=mpd_deg,
        mean_deg=mean,
        scale_deg=scale,
        df=law.df,
        too_small=above(mpd_deg),
        too_large=below(-mpd_deg),
        beyond_checked=not law.lowest_deg - 1e-9 <= target_deg <= law.highest_deg + 1e-9,
        age_days=age_days,
    )


def _measured(history: AngleHistory, assumed: AssumedSpreads) -> AngleLaw:
    y, centre = history.deviation_deg, float(history.target_deg.mean())
    columns = [np.ones(y.size)]
    gain_known = np.unique(history.target_deg).size > 1
    if gain_known:
        columns.append((history.target_deg - centre) / 100.0)
    of_reading = history.segment[history.check]
    # The constant is the level since the last adjustment; each earlier one has a column.
    columns += [(of_reading == each).astype(np.float64) for each in np.unique(of_reading)[:-1]]
    design = np.column_stack(columns)
    if np.bincount(history.check).max() == 1:
        estimates, covariance, spread, df = _one_level(y, design)
        check, scatter = 0.0, spread
    else:
        levels = variance_levels(y, history.check, fixed=design[:, 1:])
        if levels.reml is None:
            raise NotEnoughEvidence(
                because="the readings of a check never differ",
                needed="a reference that shows tenths of a degree",
            )
        check, scatter = levels.between.sd, levels.within.sd
        spread, df = levels.total.sd, levels.total.df
        fit = fit_random_intercept(
            y,
            history.check,
            design,
            ratio=levels.reml.between_variance / levels.reml.within_variance,
        )
        estimates, covariance = fit.estimates, fit.covariance
    kept = 2 if gain_known else 1
    level, of_level = np.zeros(2), np.diag([0.0, assumed.gain_deg**2])
    level[:kept], of_level[:kept, :kept] = estimates[:kept], covariance[:kept, :kept]
    return _law(
        history, level, of_level, (spread, check, scatter), df, gain_known, AngleBasis.OWN_CHECKS
    )


def _one_level(y: Array, design: Array) -> tuple[Array, Array, float, float]:
    """Least squares, where each check holds one reading: estimates, covariance, SD and df."""
    df = y.size - design.shape[1]
    if df < _LEAST_DF:
        raise NotEnoughEvidence(
            because="too few checks of one reading", needed="several readings in each check"
        )
    estimates = np.linalg.lstsq(design, y, rcond=None)[0]
    variance = float(((y - design @ estimates) ** 2).sum()) / df
    if variance == 0.0:
        raise NotEnoughEvidence(
            because="the readings never differ",
            needed="a reference that shows tenths of a degree",
        )
    covariance = np.asarray(variance * np.linalg.inv(design.T @ design), dtype=np.float64)
    return np.asarray(estimates, dtype=np.float64), covariance, math.sqrt(variance), float(df)


def _by_assumption(history: AngleHistory, assumed: AssumedSpreads) -> AngleLaw:
    """Offset and gain given the readings since the last adjustment, all spreads as assumed."""
    recent = history.segment[history.check] == history.segment[-1]
    y, check, target = (
        each[recent] for each in (history.deviation_deg, history.check, history.target_deg)
    )
    shared = (check[:, None] == check[None, :]).astype(np.float64)
    noise = assumed.check_deg**2 * shared + assumed.scatter_deg**2 * np.eye(y.size)
    # a and g are about zero before the first check: the wrench was made to be right.
    design = np.column_stack([np.ones(y.size), target / 100.0])
    weighted = np.linalg.solve(noise, design)
    prior = np.diag([assumed.offset_deg**-2, assumed.gain_deg**-2])
    covariance = np.linalg.inv(prior + design.T @ weighted)
    estimates = covariance @ (weighted.T @ y)
    centre = float(history.target_deg.mean())
    to_centre = np.array([[1.0, centre / 100.0], [0.0, 1.0]])
    return _law(
        history,
        to_centre @ estimates,
        to_centre @ covariance @ to_centre.T,
        (
            math.hypot(assumed.check_deg, assumed.scatter_deg),
            assumed.check_deg,
            assumed.scatter_deg,
        ),
        math.inf,
        bool(np.unique(target).size > 1),
        AngleBasis.DEFAULTS,
    )


def _law(
    history: AngleHistory,
    level: Array,
    covariance: Array,
    spreads: tuple[float, float, float],
    df: float,
    gain_known: bool,
    basis: AngleBasis,
) -> AngleLaw:
    total, check, scatter = spreads
    return AngleLaw(
        level=level,
        covariance=covariance,
        total_deg=total,
        check_deg=check,
        scatter_deg=scatter,
        df=df,
        centre_deg=float(history.target_deg.mean()),
        lowest_deg=float(history.target_deg.min()),
        highest_deg=float(history.target_deg.max()),
        gain_known=gain_known,
        basis=basis,
        checks=history.day.size,
        readings=history.check.size,
        last_check_day=float(history.day[-1]),
    )
