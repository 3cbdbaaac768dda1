"""How far and how fast one wrench drifts in one direction, at each part of its range.

The answer joins two views. The pooled one (family and own readings together) serves every
forecast; the wrench's own history alone, where it is long enough, stands beside it so that a reader
can see how much is borrowed.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.diagnostics import FamilyDiagnostics, diagnose, surprises
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit, Source
from analysis.history import Histories
from analysis.mixture import Mixture, Summary, sign_probability, summarise
from analysis.outliers import OutlyingReading
from analysis.outlook import Outlook, outlook, states_on
from analysis.own_history import OwnHistory, fit_own_history
from analysis.smoother import smooth
from analysis.time_basis import TimeBasis, clock_on

_LINE_DAYS: Final = 30.0
_OUTLOOK_DAYS: Final = 365.0
_MOMENT_YEARS: Final = 0.01


@dataclass(frozen=True, slots=True)
class Rate:
    """A drift rate per calendar year, at the wrench's own pace of use, with its 95 % interval.

    tail_probability  two-sided: how easily the rate could have the other sign
    """

    per_year: float
    sd: float
    lower: float
    upper: float
    tail_probability: float


@dataclass(frozen=True, slots=True)
class PlaceDrift:
    """Deviation now and drift at one place of the range, % of reading."""

    x: float
    deviation_pct: float
    deviation_lower_pct: float
    deviation_upper_pct: float
    rate: Rate


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of history without adjustment or jump.

    begun_by  "first check", "adjustment" or "jump"
    """

    begin_day: float
    end_day: float
    checks: int
    begun_by: str


@dataclass(frozen=True, slots=True)
class Jump:
    """A sudden change of level that nobody logged.

    between_days  it happened between these two checks
    check         identity of the check that shows it
    evidence      average likelihood ratio; above 1 / false-alarm rate
    gain_pct, offset_pct_of_full_scale  estimated size
    """

    between_days: tuple[float, float]
    check: str
    evidence: float
    gain_pct: float
    offset_pct_of_full_scale: float


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """How surprising the checks were to the law: chi-squared of the prediction errors.

    p_value  small when the wrench does what the law does not expect
    """

    chi_squared: float
    degrees_of_freedom: int
    p_value: float


@dataclass(frozen=True, slots=True)
class DriftEvidence:
    """What the answer rests on.

    family, source  the family's name, and whose readings taught its law
    basis           what the family's drift runs with
    family_wrenches
    weight_of_own_data  0 to 1: share of the family's spread of rates that the wrench's own
                        readings have removed (gain and offset, the better known of the two)
    """

    checks: int
    readings: int
    first_day: float
    last_day: float
    family: str
    source: Source
    basis: TimeBasis
    family_wrenches: int
    weight_of_own_data: float


@dataclass(frozen=True, slots=True)
class PlotPoint:
    """Mean deviation of the readings of one check at one target."""

    day: float
    x: float
    deviation_pct: float
    readings: int
    check: str


@dataclass(frozen=True, slots=True)
class PlotLine:
    """Level at one place of the range over time with its 95 % band, and the band of a reading."""

    x: float
    day: tuple[float, ...]
    deviation_pct: tuple[float, ...]
    lower_pct: tuple[float, ...]
    upper_pct: tuple[float, ...]
    reading_lower_pct: tuple[float, ...]
    reading_upper_pct: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """The drift of one wrench in one direction as of a day."""

    gain: Rate
    offset: Rate
    places: tuple[PlaceDrift, ...]
    evidence: DriftEvidence
    outlying: tuple[OutlyingReading, ...]
    segments: tuple[Segment, ...]
    jumps: tuple[Jump, ...]
    lack_of_fit: LackOfFit
    diagnostics: FamilyDiagnostics | NotEnoughEvidence
    own_history: OwnHistory | NotEnoughEvidence
    points: tuple[PlotPoint, ...]
    lines: tuple[PlotLine, ...]


def drift(
    family: FamilyFit, row: int, deviations: pl.DataFrame, places_x: tuple[float, ...], day: float
) -> Drift:
    """Drift of one member of a family.

    deviations  its readings in this direction (frame of `analysis.deviation.with_deviations`)
    places_x    shares of full scale to answer for, e.g. the plan's targets
    day         the day of the question, not before the last check
    """
    member = family.of_rows([row])
    history = member.histories
    state = states_on(member, day)
    speed = _clock_speed(family, history, day)
    rate = speed * state.rate[..., 0].T
    rate_cov = speed**2 * np.moveaxis(state.rate_cov[..., 0], -1, 0)
    now = outlook(member, day, of_a_check=False)
    own_variance = np.diagonal(rate_cov, axis1=-2, axis2=-1)
    gain, offset = _rates(Mixture.of_equals(rate, own_variance))
    return Drift(
        gain=gain,
        offset=offset,
        places=_places(places_x, now, rate, rate_cov),
        evidence=_evidence(family, history, rate_cov / speed**2),
        outlying=tuple(o for o in family.outlying if o.wrench == history.wrenches[0]),
        segments=_segments(history),
        jumps=_jumps(family, row, history),
        lack_of_fit=_lack_of_fit(member),
        diagnostics=diagnose(family),
        own_history=_own_history(family.mode, history, deviations),
        points=_points(history),
        lines=tuple(_lines(family, history, places_x, day)),
    )


def _clock_speed(family: FamilyFit, history: Histories, day: float) -> float:
    """Years of the family's clock in a year of the calendar, for this wrench from that day on."""
    before, after = (
        clock_on(history, family.basis, family.typical_pace, np.array([at]))[0]
        for at in (day, day + DAYS_PER_YEAR * _MOMENT_YEARS)
    )
    return float((after - before) / _MOMENT_YEARS)


def _rates(known: Mixture) -> list[Rate]:
    """The rates of mixtures (K, R)."""
    s, tail = summarise(known), sign_probability(known)
    return [
        Rate(
            per_year=float(s.mean[i]),
            sd=float(s.sd[i]),
            lower=float(s.lower[i]),
            upper=float(s.upper[i]),
            tail_probability=float(tail[i]),
        )
        for i in range(len(tail))
    ]


def _places(
    x: tuple[float, ...], now: Outlook, rate: Array, rate_cov: Array
) -> tuple[PlaceDrift, ...]:
    """rate (K, 2), rate_cov (K, 2, 2)"""
    places = np.asarray(x)
    z = np.stack([np.ones_like(places), 1.0 / places])
    level = summarise(now.repeated(len(x)).at(places))
    rates = Mixture.of_equals(rate @ z, np.einsum("ip,kij,jp->kp", z, rate_cov, z))
    return tuple(
        PlaceDrift(
            x=x[i],
            deviation_pct=float(level.mean[i]),
            deviation_lower_pct=float(level.lower[i]),
            deviation_upper_pct=float(level.upper[i]),
            rate=each,
        )
        for i, each in enumerate(_rates(rates))
    )


def _evidence(family: FamilyFit, history: Histories, rate_cov: Array) -> DriftEvidence:
    left = np.diagonal(rate_cov, axis1=-2, axis2=-1).mean(axis=0)
    before = (family.law.rate_sd**2).mean(axis=0)
    return DriftEvidence(
        checks=int(history.present.sum()),
        readings=int(history.count.sum()),
        first_day=float(history.day[0, 0]),
        last_day=float(history.day[0, -1]),
        family=family.name,
        source=family.source,
        basis=family.basis,
        family_wrenches=family.wrenches,
        weight_of_own_data=float(np.clip(1.0 - left / before, 0.0, 1.0).max()),
    )


def _segments(history: Histories) -> tuple[Segment, ...]:
    present = history.present[0]
    days = history.day[0, present]
    adjusted, jumped = history.adjusted[0, present], history.jumped[0, present]
    begins = [0, *np.flatnonzero(adjusted | jumped).tolist()]
    segments = []
    for begin, end in zip(begins, [*begins[1:], len(days)], strict=True):
        cause = "first check"
        if begin:
            cause = "adjustment" if adjusted[begin] else "jump"
        segments.append(Segment(float(days[begin]), float(days[end - 1]), end - begin, cause))
    return tuple(segments)


def _jumps(family: FamilyFit, row: int, history: Histories) -> tuple[Jump, ...]:
    found = []
    instant = 1e-6  # days: just before and just after the check, so that no drift is counted in
    for c in np.flatnonzero(history.jumped[0]).tolist():
        after_day, before_day = float(history.day[0, c]), float(history.day[0, c - 1])
        days = np.array([max(before_day, after_day - 2 * instant), after_day]) + instant
        sides = smooth(family.mode, history, days, _clock(family, history, days))
        size = sides.level[0, 1] - sides.level[0, 0]
        found.append(
            Jump(
                between_days=(before_day, after_day),
                check=history.checks[0][c],
                evidence=float(family.jump_evidence[row, c]),
                gain_pct=float(size[0]),
                offset_pct_of_full_scale=float(size[1]),
            )
        )
    return tuple(found)


def _lack_of_fit(member: FamilyFit) -> LackOfFit:
    from scipy.special import chdtrc  # slow to import, needed only when a drift is asked for

    (statistic,), (freedom,) = surprises(member)
    return LackOfFit(float(statistic), int(freedom), float(chdtrc(freedom, statistic)))


def _own_history(
    mode: ErrorLaw, history: Histories, deviations: pl.DataFrame
) -> OwnHistory | NotEnoughEvidence:
    present = history.present[0]
    names = np.asarray(history.checks[0])
    breaks = np.flatnonzero((history.adjusted | history.jumped)[0, present])
    segment = names[breaks[-1] if len(breaks) else 0 :]
    rows = deviations.filter(pl.col("check").is_in(segment.tolist()))
    x = rows["x"].to_numpy()
    return fit_own_history(
        years=rows["day"].to_numpy() / DAYS_PER_YEAR,
        x=x,
        deviation_pct=rows["deviation_pct"].to_numpy(),
        check=rows["check"].to_numpy().astype(str),
        scatter_variance=mode.scatter_variance(x)[0],
    )


def _points(history: Histories) -> tuple[PlotPoint, ...]:
    c, j = np.nonzero(history.count[0])
    return tuple(
        PlotPoint(
            day=float(history.day[0, a]),
            x=float(history.x[0, a, b]),
            deviation_pct=float(history.mean_pct[0, a, b]),
            readings=int(history.count[0, a, b]),
            check=history.checks[0][a],
        )
        for a, b in zip(c.tolist(), j.tolist(), strict=True)
    )


def _clock(family: FamilyFit, history: Histories, days: Array) -> Array:
    return clock_on(history, family.basis, family.typical_pace, days)


def _lines(
    family: FamilyFit, history: Histories, places_x: tuple[float, ...], day: float
) -> list[PlotLine]:
    law = family.law
    start = float(history.day[0, 0])
    days = np.arange(start, day + _OUTLOOK_DAYS + _LINE_DAYS, _LINE_DAYS)
    known = smooth(law, history, days, _clock(family, history, days))
    places = np.asarray(places_x)
    z = np.stack([np.ones_like(places), 1.0 / places])  # (2, P)
    level = Mixture.of_equals(known.level @ z, np.einsum("ip,ktij,jp->ktp", z, known.level_cov, z))
    scatter = (law.check_sd**2) @ z**2 + law.scatter_variance(places)
    seen, reading = summarise(level), summarise(level.plus(scatter[:, None]))
    return [_line(x, days, seen, reading, i) for i, x in enumerate(places_x)]


def _line(x: float, days: Array, level: Summary, reading: Summary, place: int) -> PlotLine:
    """level, reading  of (T, P)"""

    def listed(values: Array) -> tuple[float, ...]:
        return tuple(values[:, place].tolist())

    return PlotLine(
        x=x,
        day=tuple(days.tolist()),
        deviation_pct=listed(level.mean),
        lower_pct=listed(level.lower),
        upper_pct=listed(level.upper),
        reading_lower_pct=listed(reading.lower),
        reading_upper_pct=listed(reading.upper),
    )
