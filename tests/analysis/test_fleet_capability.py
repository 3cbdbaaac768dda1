"""Ppk of all wrenches in one pass: each wrench's own analysis, and statsmodels, say the same."""

import warnings

import numpy as np
import polars as pl
import pytest
from fleet_frames import Herd, frames

from analysis.bands import Bands
from analysis.capability import BandCapability, OverallCapability, capability
from analysis.deviation import with_deviations
from analysis.fleet_capability import fleet_capability
from analysis.vocabulary import Band, Direction, Mechanism

BANDS = Bands()
CW = Direction.CLOCKWISE


def thinned(readings: pl.DataFrame, share: float) -> pl.DataFrame:
    """Readings left out at random, so that checks differ in their numbers."""
    keep = np.random.default_rng(9).random(readings.height) < share
    return readings.filter(pl.Series(keep))


def invented(share: float) -> pl.DataFrame:
    wrenches, readings = frames(
        Herd(Mechanism.SPRING, 100.0, 8, visits=(1, 2, 3, 6), prefix="S", directions=(CW,)),
        Herd(Mechanism.BEAM, 20.0, 4, visits=(4,), x=(0.2, 0.25, 0.6, 1.0), prefix="B"),
    )
    of_full_scale = pl.col("wrench").is_in(["B-1"])
    wrenches = wrenches.with_columns(of_full_scale.alias("mpd_cw_of_full_scale"))
    return with_deviations(wrenches, thinned(readings, share))


@pytest.mark.parametrize("share", [1.0, 0.7])
def test_each_wrench_s_own_analysis_says_the_same(share: float) -> None:
    """With as many readings in every check, and with uneven ones; also where it refuses."""
    deviations = invented(share)
    found = {
        (row["wrench"], row["direction"], row["band"]): row
        for row in fleet_capability(deviations, BANDS).iter_rows(named=True)
    }
    answered = refused = 0
    for (wrench,), own in deviations.group_by("wrench"):
        for direction in Direction:
            for band, single in capability(own, direction, BANDS).bands.items():
                row = found.get((wrench, direction.value, band.value))
                if not isinstance(single, BandCapability):
                    assert row is None
                    continue
                assert row is not None
                assert (row["checks"], row["readings"]) == (single.checks, single.readings)
                if isinstance(single.overall, OverallCapability):
                    wanted = single.overall.performance
                    assert row["mean"] == pytest.approx(single.mean, abs=1e-7)
                    assert row["sd"] == pytest.approx(wanted.sd, rel=1e-7)
                    assert row["ppk"] == pytest.approx(wanted.nearer, rel=1e-6)
                    answered += 1
                else:
                    assert row["ppk"] is None
                    refused += 1
    assert answered > 20
    assert refused > 5


@pytest.mark.parametrize("share", [1.0, 0.7])
def test_statsmodels_finds_the_same_variances(share: float) -> None:
    """MixedLM by REML, a random intercept a check: mean and between-check SD to 1e-6.

    The overall SD of ISO 5725 takes the mean square within checks, which REML equals where checks
    are even; so the between-check part is compared.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM

    deviations = invented(share).filter(
        (pl.col("direction") == CW.value) & pl.col("wrench").is_in(["B-0", "B-2", "B-3"])
    )
    found = fleet_capability(deviations, BANDS).filter(pl.col("band") == Band.LOW.value)
    compared = 0
    for row in found.filter(pl.col("checks") >= 3).iter_rows(named=True):
        own = deviations.filter((pl.col("wrench") == row["wrench"]) & BANDS.column().eq("low"))
        last = own.filter(pl.col("kind") == "as_left")["day"].max()
        if last is not None:
            own = own.filter(
                (pl.col("day") > last) | ((pl.col("day") == last) & (pl.col("kind") == "as_left"))
            )
        y = (own["deviation_pct"] / own["mpd_pct"]).to_numpy()
        model = MixedLM(y, np.ones((len(y), 1)), groups=own["check"].to_numpy())
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a variance near zero: statsmodels warns
            fit = model.fit(reml=True, method="powell")
        share_of_limit = pl.col("deviation_pct") / pl.col("mpd_pct")
        cells = own.group_by("check").agg(
            pl.len().alias("n"), (share_of_limit.var(ddof=0) * pl.len()).alias("squares")
        )
        within = cells["squares"].sum() / (cells["n"].sum() - cells.height)
        assert row["mean"] == pytest.approx(float(fit.fe_params[0]), abs=1e-6)
        assert row["sd"] ** 2 - within == pytest.approx(float(fit.cov_re[0, 0]), abs=1e-6)
        compared += 1
    assert compared >= 2
