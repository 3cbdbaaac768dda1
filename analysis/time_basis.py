"""What drift runs with: calendar time, use, or the logarithm of time since the last adjustment.

Each basis turns a history's dates and cycle counts into `Histories.clock`, in years: one year of
the clock is a year of time, a year's use of a typical wrench of the family, or, for a drift that
slows down, the first year after an adjustment. The fleet's evidence chooses among them.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR
from analysis.history import Histories

_LOG_TIME_YEARS: Final = (
    0.25  # drift has slowed to half its speed a quarter of a year on (a choice)
)
_LOG_SCALE: Final = np.log1p(1.0 / _LOG_TIME_YEARS)
_SHORTEST_PACE_YEARS: Final = 0.08  # counts of one month say little about a year's use
_COUNTED_ENOUGH: Final = 0.8  # share of checks with a count, else use cannot be a basis


class TimeBasis(StrEnum):
    TIME = "time"
    USE = "use"
    LOG_TIME = "log_time"


def other_bases(histories: Histories) -> tuple[TimeBasis, ...]:
    """The bases beside time that these histories can speak to."""
    counted = np.isfinite(histories.cycles[histories.present])
    if counted.size and counted.mean() >= _COUNTED_ENOUGH:
        return (TimeBasis.LOG_TIME, TimeBasis.USE)
    return (TimeBasis.LOG_TIME,)


def cycles_per_year(histories: Histories) -> Array:
    """(N,) pace of each wrench over the stretches between its known counts; nan: none long enough.

    A count set back by a repair says nothing about its stretch; the others still add up.
    """
    counts = _counts_between(histories)
    steps, years = np.diff(counts, axis=1), np.diff(histories.year, axis=1)
    told = np.isfinite(steps) & (steps >= 0)
    used = np.where(told, steps, 0.0).sum(axis=1)
    span = np.where(told, years, 0.0).sum(axis=1)
    known = (span >= _SHORTEST_PACE_YEARS) & (used > 0)
    return np.where(known, used / np.where(known, span, 1.0), np.nan)


def typical_pace(histories: Histories) -> float:
    """Median cycles a year over the wrenches whose pace is known; nan when none is."""
    pace = cycles_per_year(histories)
    known = pace[np.isfinite(pace)]
    return float(np.median(known)) if known.size else float("nan")


def with_clock(histories: Histories, basis: TimeBasis, typical: float) -> Histories:
    """The same histories with the clock of a basis; `typical` cycles a year scale that of use."""
    return replace(histories, clock=_clock(histories, basis, typical))


def clock_ahead(histories: Histories, basis: TimeBasis, typical: float, years: Array) -> Array:
    """How far the clock runs within `years`, (N,) or (T, N), after each wrench's last check."""
    if basis is TimeBasis.TIME:
        return years
    if basis is TimeBasis.USE:
        return np.asarray(years * _relative_pace(histories, typical))
    since = histories.year[:, -1] - _segment_start(histories)[:, -1]
    return np.asarray(_log_clock(since + years) - _log_clock(since))


# SDs of the logarithm of the pace where too few stretches show them (assumptions, no source).
_ASSUMED_WITHIN: Final = 0.3
_ASSUMED_BETWEEN: Final = 0.5
_FEWEST_STRETCHES: Final = 5


def _log_paces(histories: Histories) -> tuple[Array, Flags]:
    """(N, C - 1) logarithm of the pace between checks, and where it is known."""
    steps = np.diff(_counts_between(histories), axis=1)
    years = np.diff(histories.year, axis=1)
    known: Flags = np.asarray(np.isfinite(steps) & (steps > 0) & (years >= _SHORTEST_PACE_YEARS))
    safe = np.where(known, steps, 1.0) / np.where(known, years, 1.0)
    return np.asarray(np.log(safe)), known


@dataclass(frozen=True, slots=True)
class PaceSpreads:
    """How the logarithm of the pace of use varies: SDs between the stretches of one wrench, and
    between wrenches.
    """

    within: float
    between: float


def pace_spreads(histories: Histories) -> PaceSpreads:
    """The spreads that a family's histories show; assumed where too few stretches show them."""
    pace, known = _log_paces(histories)
    count = known.sum(axis=1)
    mean = np.where(known, pace, 0.0).sum(axis=1) / np.maximum(count, 1)
    repeated = int((count - 1)[count > 0].sum())
    within = _ASSUMED_WITHIN
    if repeated >= _FEWEST_STRETCHES:
        squares = np.where(known, (pace - mean[:, None]) ** 2, 0.0).sum()
        within = float(np.sqrt(squares / repeated))
    means = mean[count > 0]
    between = _ASSUMED_BETWEEN
    if means.size >= _FEWEST_STRETCHES:
        noise = within**2 * float((1.0 / count[count > 0]).mean())
        between = float(np.sqrt(max(0.0, float(means.var(ddof=1)) - noise)))
    return PaceSpreads(within, between)


def clock_sd_per_year(
    histories: Histories, basis: TimeBasis, typical: float, spreads: PaceSpreads
) -> Array:
    """(N,) doubt about a year of `clock_ahead`: use to come is known only from use past.

    A wrench with known stretches carries the spread within wrenches, any other both. Zero where
    the clock is time itself.
    """
    if basis is not TimeBasis.USE:
        return np.zeros(histories.size)
    count = _log_paces(histories)[1].sum(axis=1)
    known = spreads.within**2 * (1.0 + 1.0 / np.maximum(count, 1))
    unknown = spreads.within**2 + spreads.between**2
    doubt = np.sqrt(np.where(count > 0, known, unknown))
    return np.asarray(doubt * _relative_pace(histories, typical))


def clock_on(history: Histories, basis: TimeBasis, typical: float, days: Array) -> Array:
    """(T,) the clock of a single wrench on `days` (T,), evenly between its checks."""
    last = history.day[0, -1]
    within = np.interp(days, history.day[0], history.clock[0])
    later = np.maximum(days - last, 0.0) / DAYS_PER_YEAR
    ahead = np.array(
        [clock_ahead(history, basis, typical, later[[i]])[0] for i in range(len(days))]
    )
    return np.asarray(within + ahead)


def _relative_pace(histories: Histories, typical: float) -> Array:
    pace = cycles_per_year(histories) / typical
    return np.where(np.isfinite(pace), pace, 1.0)


def _clock(histories: Histories, basis: TimeBasis, typical: float) -> Array:
    if basis is TimeBasis.TIME:
        return histories.year
    years = np.diff(histories.year, axis=1, prepend=0.0)
    if basis is TimeBasis.USE:
        steps = np.diff(_counts_between(histories), axis=1, prepend=np.nan) / typical
        expected = years * _relative_pace(histories, typical)[:, None]
        return np.asarray(np.where(np.isfinite(steps) & (steps >= 0), steps, expected).cumsum(1))
    start = _segment_start(histories)
    # Drift between two checks belongs to the segment that the earlier one stands in.
    begun = np.concatenate([start[:, :1], start[:, :-1]], axis=1)
    ran = _log_clock(histories.year - begun) - _log_clock(histories.year - years - begun)
    return np.asarray(np.where(years > 0, ran, 0.0).cumsum(axis=1))


def _counts_between(histories: Histories) -> Array:
    """(N, C) counts, those between two known ones filled in evenly over time; nan elsewhere.

    Nothing is filled in across a count that was set back.
    """
    counted = np.isfinite(histories.cycles) & histories.present
    at = np.arange(counted.shape[1])
    before = np.maximum.accumulate(np.where(counted, at, -1), axis=1)
    after = np.minimum.accumulate(np.where(counted, at, at.size)[:, ::-1], axis=1)[:, ::-1]
    between = (before >= 0) & (after < at.size)
    low, high = np.maximum(before, 0), np.minimum(after, at.size - 1)

    def of(values: Array, index: NDArray[np.intp]) -> Array:
        return np.asarray(np.take_along_axis(values, index, axis=1))

    start, end = of(histories.year, low), of(histories.year, high)
    share = (histories.year - start) / np.where(end > start, end - start, 1.0)
    rise = of(histories.cycles, high) - of(histories.cycles, low)
    return np.where(between & (rise >= 0), of(histories.cycles, low) + share * rise, np.nan)


def _log_clock(years: Array) -> Array:
    return np.asarray(np.log1p(years / _LOG_TIME_YEARS) / _LOG_SCALE)


def _segment_start(histories: Histories) -> Array:
    """(N, C) year in which the segment of each check began."""
    begun = np.where(histories.adjusted, histories.year, 0.0)
    return np.asarray(np.maximum.accumulate(begun, axis=1))
