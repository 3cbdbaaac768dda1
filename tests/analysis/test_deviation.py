"""Deviations: sign, words, limits and the frame."""

from decimal import Decimal

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_wrench import check_rows, history, wrench_frame

from analysis.deviation import (
    delivers,
    deviation_pct,
    of_setting_pct,
    permissible_pct,
    with_deviations,
    within,
)
from analysis.evidence import READINGS
from service.torque import UNITS, newton_metres_per

torques = st.floats(0.05, 5000.0)


def test_less_torque_than_the_wrench_says_is_a_positive_deviation():
    """ISO 6789 sign: 20 N·m set, 19 N·m delivered."""
    assert deviation_pct(20.0, 19.0) == pytest.approx(100 / 19)
    assert of_setting_pct(20.0, 19.0) == pytest.approx(-5.0)


@pytest.mark.parametrize(
    ("deviation", "word"),
    [(0.2, "low"), (-0.2, "high"), (0.0, "true"), (4e-14, "true"), (-4e-14, "true")],
)
def test_the_sign_in_words(deviation, word):
    assert delivers(deviation) == word


@given(indicated=torques, reference=torques)
def test_float_array_and_frame_give_the_same_bits(indicated, reference):
    """One formula serves all three, so a single reading and a frame cannot disagree."""
    alone = deviation_pct(indicated, reference)
    in_array = deviation_pct(np.array([indicated]), np.array([reference]))[0]
    frame = pl.DataFrame({"a": [indicated], "r": [reference]})
    in_frame = frame.select(deviation_pct(pl.col("a"), pl.col("r"))).item()
    assert alone == in_array == in_frame


@given(indicated=torques, reference=torques, factor=st.floats(1e-3, 1e3))
def test_the_unit_of_torque_does_not_matter(indicated, reference, factor):
    """Both torques in another unit: the deviation stays, but for rounding."""
    assert deviation_pct(indicated * factor, reference * factor) == pytest.approx(
        deviation_pct(indicated, reference), rel=1e-9, abs=1e-9
    )


@given(indicated=torques, reference=torques)
def test_of_setting_and_of_reading_are_one_fact(indicated, reference):
    """(1 + d)(1 + s) = 1 with d of reading and s of setting: they only differ in the base."""
    d, s = deviation_pct(indicated, reference), of_setting_pct(indicated, reference)
    assert (1 + d / 100) * (1 + s / 100) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("mpd", [1.0, 2.0, 3.0, 4.0, 6.0])
def test_a_reading_exactly_at_the_limit_passes_in_every_unit(unit, mpd):
    """Decimal torques exactly at the limit pass; a millionth of the torque beyond fails."""
    factor = newton_metres_per(unit)
    for hundredths in range(7, 40_000, 397):
        reference = Decimal(hundredths) / 100
        for sign in (1, -1):
            indicated = reference * (1 + sign * Decimal(mpd) / 100)
            beyond = indicated + sign * reference / 1_000_000
            at_limit, outside = (
                deviation_pct(float(value) * factor, float(reference) * factor)
                for value in (indicated, beyond)
            )
            assert within(at_limit, mpd)
            assert not within(outside, mpd)


def test_rounding_noise_at_the_limit_is_real():
    """Why `within` has an allowance: 20.8 against 20 is more than 4 % in binary arithmetic."""
    assert deviation_pct(20.8, 20.0) > 4.0
    assert within(deviation_pct(20.8, 20.0), 4.0)


def test_within_works_on_arrays_and_columns():
    deviations, limits = np.array([3.9, -4.1, 4.0]), np.array([4.0, 4.0, 4.0])
    assert within(deviations, limits).tolist() == [True, False, True]
    frame = pl.DataFrame({"d": deviations, "m": limits})
    assert frame.select(within(pl.col("d"), pl.col("m"))).to_series().to_list() == [
        True, False, True,
    ]  # fmt: skip


@given(x=st.floats(0.05, 1.0), mpd=st.floats(0.1, 10.0))
def test_a_limit_of_full_scale_grows_towards_the_bottom_of_the_range(x, mpd):
    """1 % of full scale is 5 % of reading at a fifth of it; 1 % of reading is that anywhere."""
    assert permissible_pct(mpd, False, x) == mpd
    assert permissible_pct(mpd, True, x) == pytest.approx(mpd / x)
    assert permissible_pct(np.full(2, mpd), False, np.array([x, 1.0])) == pytest.approx(mpd)


def test_a_full_scale_limit_is_judged_on_the_torque_error_itself():
    """±1 % of 100 N·m is ±1 N·m: 20 set passes for 19.00 to 21.00 delivered, and not beyond."""
    readings = [21.01, 21.0, 19.0, 18.99]
    deviations = [(20 / r - 1) * 100 for r in readings]
    frame = history(check_rows("C", {20.0: deviations}), mpd_cw_pct=1.0, mpd_cw_of_full_scale=True)
    verdict = frame.select(within(pl.col("deviation_pct"), pl.col("mpd_pct"))).to_series()
    assert verdict.to_list() == [False, True, True, False]


def test_frame_keeps_the_order_of_readings_and_adds_three_columns():
    rows = check_rows("B", {60.0: [1.0, -2.0, 0.5]}) + check_rows("A", {20.0: [0.25]})
    readings = pl.DataFrame(rows, schema=READINGS)
    frame = with_deviations(wrench_frame(), readings)
    assert frame.select(readings.columns).equals(readings)
    assert frame["deviation_pct"].to_list() == pytest.approx([1.0, -2.0, 0.5, 0.25])
    assert frame["x"].to_list() == pytest.approx([0.6, 0.6, 0.6, 0.2])
    assert frame["mpd_pct"].to_list() == [4.0] * 4


def test_each_direction_has_its_own_limit_and_none_where_none_is_stated():
    rows = check_rows("A", {60.0: [1.0]}) + check_rows(
        "B", {60.0: [1.0]}, direction="counter_clockwise"
    )
    readings = pl.DataFrame(rows, schema=READINGS)
    assert with_deviations(wrench_frame(), readings)["mpd_pct"].to_list() == [4.0, None]
    both = wrench_frame(mpd_ccw_pct=6.0, mpd_ccw_of_full_scale=False)
    assert with_deviations(both, readings)["mpd_pct"].to_list() == [4.0, 6.0]


def test_no_readings_give_an_empty_frame_with_all_columns():
    frame = with_deviations(wrench_frame(), pl.DataFrame(schema=READINGS))
    assert frame.is_empty()
    assert {"x", "deviation_pct", "mpd_pct"} <= set(frame.columns)


def test_a_reading_of_an_unknown_wrench_is_refused():
    """It is not dropped in silence, nor given a null limit."""
    readings = pl.DataFrame(check_rows("A", {60.0: [1.0]}), schema=READINGS)
    with pytest.raises(ValueError, match="W-1"):
        with_deviations(wrench_frame(wrench="W-2"), readings)
