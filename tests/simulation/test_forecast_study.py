"""The study of forecasts in short: two families a scenario, held to what the whole study claims.

Families share a law, so two of them say little about one scenario; the claims are held over all
scenarios together, with room for about three Monte Carlo errors. The whole table comes from
`python tests/simulation/forecast_study.py`.
"""

import polars as pl
import pytest
from forecast_scenarios import SCENARIOS
from forecast_study import HORIZON_DAYS, reliability_curve, run

pytestmark = pytest.mark.simulation


@pytest.fixture(scope="module")
def wrenches() -> pl.DataFrame:
    # Two, so that the last study under way has both cores.
    frames = run(families=2, workers=2)
    return pl.concat(
        frames[scenario.name].with_columns(pl.lit(scenario.name).alias("scenario"))
        for scenario in SCENARIOS
    )


def _passing(wrenches: pl.DataFrame, who: str) -> float:
    days = pl.col(f"days {who}")
    inner = wrenches.filter((days > 0) & (days < HORIZON_DAYS))
    return float(inner.select(pl.col(f"passes {who}").drop_nans().mean()).item())


def test_intervals_cover_what_they_say(wrenches: pl.DataFrame) -> None:
    """95 % intervals of a reading a year on: 0.954 over the whole study."""
    assert 0.93 <= wrenches["covered"].mean() <= 0.975


def test_dates_keep_what_they_promise(wrenches: pl.DataFrame) -> None:
    """Dates for 95 %: 0.953 over the whole study."""
    assert 0.93 <= _passing(wrenches, "ours") <= 0.975


def test_dates_beat_a_line_through_the_readings(wrenches: pl.DataFrame) -> None:
    """The line takes repeats for evidence: it keeps about 0.90 of what it promises at 0.95."""
    assert abs(_passing(wrenches, "ours") - 0.95) < abs(_passing(wrenches, "line") - 0.95)


def test_probabilities_are_calibrated(wrenches: pl.DataFrame) -> None:
    """Foretold and come agree within 0.08 in every band that holds a hundred wrenches."""
    bands = reliability_curve(wrenches).filter(pl.col("wrenches") >= 100)
    assert bands.height >= 4
    assert (bands["foretold"] - bands["came"]).abs().max() < 0.08


def test_jumps_are_not_seen_where_there_are_none(wrenches: pl.DataFrame) -> None:
    """Stated: at most 2 false alarms in 100 histories; heavy tails and knocks are left out."""
    quiet = wrenches.filter(~pl.col("scenario").str.contains("knocks|heavy"))
    assert quiet["jump found"].mean() <= 0.02
