"""Published series of real measurements, as the histories of wrenches that stand for them.

A standard that is measured again and again is a wrench of a single target: an occasion (a day, a
visit) is a check, its readings are the repeats. The unit of the series stands for % of reading;
it is chosen so that the rounding which `analysis.history` allows for is nothing beside the scatter.
Sources of the data: tests/reference/data/README.md.
"""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import polars as pl

from analysis.arrays import Array, Flags
from analysis.error_law import DAYS_PER_YEAR
from analysis.history import Histories, pack_histories
from analysis.vocabulary import CheckKind, Direction
from tests.reference.published_data import published


@dataclass(frozen=True, slots=True)
class Series:
    """N items measured on C occasions each, at most R readings an occasion.

    day       (N, C) in order of time; an invented spacing where the source has no dates
    readings  (N, C, R) in the unit of the series; nan where there are fewer
    used      (C,) occasions that serve as checks; the others are only forecast
    """

    name: str
    unit: str
    day: Array
    readings: Array
    used: Flags

    @property
    def items(self) -> int:
        return self.day.shape[0]

    @property
    def occasions(self) -> int:
        return self.day.shape[1]

    @property
    def mean(self) -> Array:
        """(N, C) of the readings of each occasion."""
        return np.asarray(np.nanmean(self.readings, axis=-1))

    @property
    def count(self) -> Array:
        """(N, C) readings of each occasion."""
        return np.asarray((~np.isnan(self.readings)).sum(axis=-1), dtype=float)

    def only(self, used: Flags, words: str) -> Self:
        """The same series of which only some occasions serve as checks."""
        return replace(self, name=f"{self.name}, {words}", used=used)

    def upto(self, end: int) -> Histories:
        """Histories of the checks among the first `end` occasions."""
        item, occasion, _ = (index.ravel() for index in np.indices(self.readings.shape))
        frame = pl.DataFrame(
            {
                "wrench": [f"{i:03d}" for i in item],
                "check": [f"{i:03d}/{c:04d}" for i, c in zip(item, occasion, strict=True)],
                "day": self.day[item, occasion],
                "deviation_pct": self.readings.ravel(),
                "chosen": (self.used & (np.arange(self.occasions) < end))[occasion],
            }
        ).with_columns(
            pl.lit(Direction.CLOCKWISE.value).alias("direction"),
            pl.lit(CheckKind.AS_FOUND.value).alias("kind"),
            pl.lit(None, dtype=pl.Float64).alias("cycles"),
            pl.lit(1.0).alias("x"),
        )
        kept = frame.filter(pl.col("chosen") & pl.col("deviation_pct").is_not_nan())
        return pack_histories(kept, Direction.CLOCKWISE)


def single_readings(name: str, unit: str, day: Array, value: Array) -> Series:
    """A series of one item from single readings; those of one instant form one occasion."""
    order = np.argsort(day, kind="stable")
    instants, first, count = np.unique(day[order], return_index=True, return_counts=True)
    occasion = np.repeat(np.arange(len(instants)), count)
    readings = np.full((1, len(instants), int(count.max())), np.nan)
    readings[0, occasion, np.arange(len(day)) - first[occasion]] = value[order]
    return Series(name, unit, instants[None], readings, np.ones(len(instants), dtype=bool))


def _six_readings(mean: Array, sd: Array) -> Array:
    """(..., 6) stand-ins with the published mean and standard deviation: all that the law sees."""
    score = np.array([-1.27, -0.64, -0.20, 0.20, 0.64, 1.27])  # of six ordered normal values
    score = score / score.std(ddof=1)
    return np.asarray(mean[..., None] + sd[..., None] * score)


def _days(year: Array, month: Array, day: Array) -> Array:
    text = [f"{y:04d}-{m:02d}-{d:02d}" for y, m, d in zip(year, month, day, strict=True)]
    return np.array(text, dtype="datetime64[D]").astype(float)


def _first_of_each(period: Array) -> Flags:
    first = np.zeros(len(period), dtype=bool)
    first[np.unique(period, return_index=True)[1]] = True
    return first


def standard_resistor() -> Series:
    """One standard resistor, 1980-85: 1000 readings on 829 days (e-Handbook 1.4.2.7)."""
    data = published("nist_standard_resistor_drift")
    day = _days(1900 + data["year2"], data["month"], data["day"])
    return single_readings("standard resistor", "milliohm", day, 1e3 * data["resistance"])


def every_months(series: Series, months: int) -> Series:
    """The first occasion of each span of months serves as a check, as in a shop's routine."""
    month = series.day[0].astype("datetime64[D]").astype("datetime64[M]").astype(int)
    words = "a check a month" if months == 1 else f"a check every {months} months"
    return series.only(_first_of_each(month // months), words)


def every_nth(series: Series, step: int) -> Series:
    """One occasion in `step` serves as a check."""
    return series.only(np.arange(series.occasions) % step == 0, f"one in {step}")


def mass_check_standard() -> Series:
    """One mass check standard, 1975-88, 217 weighings (e-Handbook 2.3.5.2)."""
    data = published("nist_mass_check_standard")
    day = np.round((data["year_decimal"] - 70.0) * DAYS_PER_YEAR)
    return single_readings("mass check standard", "microgram", day, 1e3 * data["value_mg"])


def resistivity_check_standard() -> Series:
    """Wafer 137, 25 occasions of six readings within 18 days (e-Handbook 2.6.2).

    The source gives no year.
    """
    data = published("nist_resistivity_check_standard_137")
    day = _days(np.full(25, 1995), data["month"], data["day"])
    day = day + data["hour"] / 24 + data["minute"] / 1440
    order = np.argsort(day)
    readings = _six_readings(1e3 * data["average"][order], 1e3 * data["sd6"][order])
    return Series(
        "resistivity check standard 137",
        "milliohm cm",
        day[order][None],
        readings[None],
        np.ones(25, dtype=bool),
    )


def resistivity_gauge_study() -> Series:
    """25 pairs of wafer and probe, six days each in March and in April (e-Handbook 2.6.1).

    The source gives no year.
    """
    data = published("nist_resistivity_gauge_study")
    day = _days(np.full(300, 1995), data["month"], data["day"])
    order = np.lexsort((day, data["probe"], data["wafer"]))
    readings = _six_readings(1e3 * data["average"][order], 1e3 * data["sd6"][order])
    return Series(
        "resistivity gauge study",
        "milliohm cm",
        day[order].reshape(25, 12),
        readings.reshape(25, 12, 6),
        np.ones(12, dtype=bool),
    )


def nile() -> Series:
    """Annual flow of the Nile at Aswan, 1871-1970."""
    data = published("nile_annual_flow")
    day = (data["year"] - 1970) * DAYS_PER_YEAR
    return single_readings("Nile", "10^8 m^3", day, data["flow"])


def _weekly(name: str, unit: str, value: Array) -> Series:
    """A series whose source has an order but no dates: one reading a week (invented)."""
    return single_readings(name, unit, 7.0 * np.arange(len(value)), value)


def random_walk() -> Series:
    """500 points of a random walk, without drift by construction (e-Handbook 1.4.2.3)."""
    return _weekly("random walk", "hundredth", 100 * published("nist_random_walk")["y"])


def heat_flow_factor() -> Series:
    """195 calibration factors of a heat flow meter (e-Handbook 1.4.2.8)."""
    return _weekly("heat flow factor", "thousandth", 1e3 * published("nist_heat_flow_factor")["y"])


def filter_transmittance() -> Series:
    """50 readings of a filter's transmittance (e-Handbook 1.4.2.6, NIST StRD Mavro)."""
    return _weekly("filter transmittance", "10^-5", 1e5 * published("nist_strd_mavro")["y"])
