"""What drift runs with: calendar time, use, or the logarithm of time since the last adjustment.

Each basis turns a history's dates and cycle counts into `Histories.clock`, in years: one year of
the clock is a year of time, a year's use of a typical wrench of the family, or, for a drift that
slows down, the first year after an adjustment. The fleet's evidence chooses among them.
"""

from dataclasses import replace
from enum import StrEnum
from typing import Final

import numpy as np

from analysis.arrays import Array
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
    """(N,) pace of each wrench between its first and last known count; nan where not known."""
    counted = np.isfinite(histories.cycles) & histories.present
    first = np.where(counted, histories.year, np.inf).min(axis=1, initial=np.inf)
    last = np.where(counted, histories.year, -np.inf).max(axis=1, initial=-np.inf)
    steps = np.diff(np.where(counted, histories.cycles, np.nan), axis=1)
    # A count set back by a repair says nothing about that step; others still add up.
    used = np.where(np.isfinite(steps) & (steps > 0), steps, 0.0).sum(axis=1)
    known = last - first >= _SHORTEST_PACE_YEARS
    span = np.where(known, last - first, 1.0)
    return np.where(known & (used > 0), used / span, np.nan)


def typical_pace(histories: Histories) -> float:
    """Median cycles a year over the wrenches whose pace is known; nan when none is."""
    pace = cycles_per_year(histories)
    known = pace[np.isfinite(pace)]
    return float(np.median(known)) if known.size else float("nan")


def with_clock(histories: Histories, basis: TimeBasis, typical: float) -> Histories:
    """The same histories with the clock of a basis; `typical` cycles a year scale that of use."""
    return replace(histories, clock=_clock(histories, basis, typical))


def clock_ahead(histories: Histories, basis: TimeBasis, typical: float, years: Array) -> Array:
    """(N,) how far the clock runs within `years` (N,) after each wrench's last check."""
    if basis is TimeBasis.TIME:
        return years
    if basis is TimeBasis.USE:
        return np.asarray(years * _relative_pace(histories, typical))
    since = histories.year[:, -1] - _segment_start(histories)[:, -1]
    return np.asarray(_log_clock(since + years) - _log_clock(since))


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
        steps = np.diff(histories.cycles, axis=1, prepend=np.nan) / typical
        expected = years * _relative_pace(histories, typical)[:, None]
        return np.asarray(np.where(np.isfinite(steps) & (steps >= 0), steps, expected).cumsum(1))
    start = _segment_start(histories)
    # Drift between two checks belongs to the segment that the earlier one stands in.
    begun = np.concatenate([start[:, :1], start[:, :-1]], axis=1)
    ran = _log_clock(histories.year - begun) - _log_clock(histories.year - years - begun)
    return np.asarray(np.where(years > 0, ran, 0.0).cumsum(axis=1))


def _log_clock(years: Array) -> Array:
    return np.asarray(np.log1p(years / _LOG_TIME_YEARS) / _LOG_SCALE)


def _segment_start(histories: Histories) -> Array:
    """(N, C) year in which the segment of each check began."""
    begun = np.where(histories.adjusted, histories.year, 0.0)
    return np.asarray(np.maximum.accumulate(begun, axis=1))
