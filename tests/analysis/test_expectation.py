"""What a history leads one to expect of the next check."""

import math

import numpy as np
import polars as pl
import pytest
from invented_wrench import check_rows, history, random_checks

from analysis.bands import Bands
from analysis.expectation import EarlierReading, expect
from analysis.repeatability import ordered_rows, pooled_within
from analysis.vocabulary import CheckKind, Direction


def expected(frame, x=0.6, kind=CheckKind.AS_FOUND):
    columns = frame.select("check", "kind", "day", "x", "deviation_pct")
    return expect(map(EarlierReading._make, columns.iter_rows()), x, Bands(), kind=kind)


def test_a_new_wrench_lets_nothing_be_expected():
    found = expected(history())
    assert found.scatter is None
    assert found.predicted is None


def test_scatter_is_that_of_earlier_repeats_in_the_band():
    frame = history(
        check_rows("A", {20.0: [0.0, 5.0], 60.0: [1.0, 1.2]}),
        check_rows("B", {40.0: [2.0, 2.4], 60.0: [1.0, 1.2]}, day=30.0),
    )
    found = expected(frame)
    assert found.scatter.df == 3
    assert found.scatter.sd_pct == pytest.approx(math.sqrt((0.02 + 0.08 + 0.02) / 3))
    assert expected(frame, x=0.2).scatter.sd_pct == pytest.approx(math.sqrt(12.5))
    assert expected(frame, x=1.0).scatter is None


def test_level_is_that_of_the_last_check_give_or_take_the_changes_so_far():
    frame = history(
        *[
            check_rows(f"C{number}", {60.0: [level - 0.1, level + 0.1]}, day=30.0 * number)
            for number, level in enumerate([1.0, 1.3, 0.9])
        ]
    )
    predicted = expected(frame).predicted
    assert predicted.mean_pct == pytest.approx(0.9)
    assert predicted.sd_pct == pytest.approx(math.sqrt((0.3**2 + 0.4**2) / 2))
    assert predicted.df == 2


def test_one_change_is_too_few():
    frame = history(
        check_rows("A", {60.0: [1.0]}), check_rows("B", {60.0: [1.3]}, day=30.0)
    )  # fmt: skip
    assert expected(frame).predicted is None


def test_another_target_of_the_band_predicts_no_level():
    rows = [check_rows(f"C{n}", {60.0: [1.0, 1.1]}, day=30.0 * n) for n in range(4)]
    assert expected(history(*rows), x=0.5).predicted is None
    assert expected(history(*rows), x=0.5).scatter is not None


def test_after_an_adjustment_no_level_is_expected():
    rows = [check_rows(f"C{n}", {60.0: [1.0, 1.1]}, day=30.0 * n) for n in range(4)]
    assert expected(history(*rows), kind=CheckKind.AS_LEFT).predicted is None


def test_the_jump_of_an_adjustment_is_no_change_of_the_wrench():
    levels = [3.0, 3.2, 3.1, 0.0, 0.1, 0.2]
    rows = [
        check_rows(
            f"C{n}", {60.0: [level, level]}, day=30.0 * n, kind="as_left" if n == 3 else "as_found"
        )
        for n, level in enumerate(levels)
    ]
    predicted = expected(history(*rows)).predicted
    assert predicted.df == 4
    assert predicted.sd_pct == pytest.approx(np.sqrt(np.mean(np.square([0.2, 0.1, 0.1, 0.1]))))
    assert predicted.mean_pct == pytest.approx(0.2)


@pytest.mark.parametrize("seed", range(20))
def test_order_segments_and_scatter_are_those_of_repeatability(seed):
    """Against the frames, on invented histories with adjustments, in any order."""
    rng = np.random.default_rng(seed)
    kinds = {number: "as_left" for number in range(8) if rng.random() < 0.3}
    checks = random_checks(rng, checks=8, readings=3, kinds=kinds)
    # Found and left at one instant, and one target entered in another unit.
    checks.append(check_rows("C00b", {20.0: [0.1, 0.2]}, kind="as_left"))
    foot = 1.3558179483314
    checks.append(check_rows("C09", {60.0 / foot: [0.3]}, day=9e3, unit_nm=foot))
    frame = history(*(checks[place] for place in rng.permutation(len(checks))))
    rows = ordered_rows(frame, Direction.CLOCKWISE, Bands())
    for x, band in ((0.2, "low"), (0.6, "mid"), (1.0, "upper")):
        found = expected(frame, x)
        squares, df = pooled_within(rows.filter(pl.col("band") == band))
        assert found.scatter.df == df
        assert found.scatter.sd_pct == pytest.approx(math.sqrt(squares / df), rel=1e-12)
        levels = (
            rows.filter(pl.col("at") == x)
            .group_by("segment", "check", maintain_order=True)
            .agg(pl.col("deviation_pct").mean())
        )
        changes = levels.select(pl.col("deviation_pct").diff().over("segment")).drop_nulls()
        if changes.height < 2:
            assert found.predicted is None
            continue
        assert found.predicted.df == changes.height
        assert found.predicted.mean_pct == pytest.approx(levels["deviation_pct"][-1], rel=1e-12)
        sd = math.sqrt((changes["deviation_pct"] ** 2).mean())
        assert found.predicted.sd_pct == pytest.approx(sd, rel=1e-12)
