"""Records as the frames of `analysis.evidence`, where a few checks are asked about, not a shop."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from service.records import Check, ToleranceBasis, Wrench

if TYPE_CHECKING:
    import polars as pl

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_S: Final = 86_400.0


def day_of(instant: datetime) -> float:
    """UTC days since 1970-01-01, with the fraction of the day."""
    return (instant - _EPOCH).total_seconds() / _DAY_S


def instant_of_day(day: float) -> datetime:
    """The instant of a UTC day since 1970-01-01, to the second."""
    return _EPOCH + timedelta(seconds=round(day * _DAY_S))


def date_of_day(day: float, time_zone: str) -> date:
    """The shop's date at a UTC day with its fraction; a whole day is that date itself."""
    zone = ZoneInfo("UTC") if float(day).is_integer() else ZoneInfo(time_zone)
    return instant_of_day(day).astimezone(zone).date()


def number_of_date(day: date) -> float:
    """Days from 1970-01-01 to a date."""
    return float((day - _EPOCH.date()).days)


def wrench_frame(wrench: Wrench) -> "pl.DataFrame":
    """One row, schema `analysis.evidence.WRENCHES`."""
    import polars as pl  # slow to import, and not needed to start

    from analysis.evidence import WRENCHES

    cw, ccw = wrench.mpd_clockwise, wrench.mpd_counter_clockwise
    row = {
        "wrench": wrench.serial,
        "mechanism": wrench.mechanism.value,
        "lowest_nm": wrench.lowest.nm,
        "full_scale_nm": wrench.full_scale.nm,
        "mpd_cw_pct": cw.percent if cw else None,
        "mpd_ccw_pct": ccw.percent if ccw else None,
        "mpd_cw_of_full_scale": cw is not None and cw.basis is ToleranceBasis.FULL_SCALE,
        "mpd_ccw_of_full_scale": ccw is not None and ccw.basis is ToleranceBasis.FULL_SCALE,
        "resolution_nm": wrench.resolution.nm if wrench.resolution else None,
    }
    return pl.DataFrame([row], schema=WRENCHES)


def reading_frame(checks: Iterable[Check]) -> "pl.DataFrame":
    """One row a reading, in the order of checks, points and readings; schema READINGS."""
    import polars as pl  # slow to import, and not needed to start

    from analysis.evidence import READINGS

    rows = [
        (
            check.wrench,
            check.direction.value,
            check.id,
            check.kind.value,
            day_of(check.performed_at),
            None if check.cycle_count is None else float(check.cycle_count),
            check.card is not None,
            point.target.nm,
            reading.indicated.nm,
            reading.reference.nm,
        )
        for check in checks
        for point in check.points
        for reading in point.readings
    ]
    return pl.DataFrame(rows, schema=READINGS, orient="row")
