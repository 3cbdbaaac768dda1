"""Bands of the range."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bands import Bands
from analysis.vocabulary import Band
from service.torque import newton_metres_per


@pytest.mark.parametrize(
    ("x", "band"),
    [(0.1, Band.LOW), (0.2999, Band.LOW), (0.3, Band.MID), (0.5, Band.MID), (0.7, Band.MID),
     (0.7001, Band.UPPER), (1.0, Band.UPPER)],
)  # fmt: skip
def test_the_limits_belong_to_the_middle(x, band):
    assert Bands().of(x) is band


@pytest.mark.parametrize("unit", ["ft.lbf", "in.lbf", "kgf.m", "ozf.in"])
def test_a_target_at_a_limit_stays_in_its_band_in_every_unit(unit):
    """The share comes out of converted torques with rounding noise, e.g. 0.29999999999999993."""
    factor = newton_metres_per(unit)
    for full_scale in range(10, 300):
        for share in (3, 7):
            x = (full_scale * share / 10 * factor) / (full_scale * factor)
            assert Bands().of(x) is Band.MID


@given(st.floats(0.01, 1.2))
def test_one_value_and_a_column_are_classed_alike(x):
    frame = pl.DataFrame({"x": [x]})
    assert frame.select(Bands().column()).item() == Bands().of(x).value
    assert list(Band)[Bands().numbers(frame["x"].to_numpy())[0]] is Bands().of(x)


@pytest.mark.parametrize("x", [0.0, -0.1, float("nan"), float("inf")])
def test_a_share_that_cannot_be_is_refused(x):
    with pytest.raises(ValueError, match="above zero"):
        Bands().of(x)


@pytest.mark.parametrize("limits", [(0.0, 0.7), (0.8, 0.7), (0.3, 1.0), (float("nan"), 0.7)])
def test_limits_out_of_order_are_refused(limits):
    with pytest.raises(ValueError, match="bands need"):
        Bands(*limits)


def test_labels_say_where_the_band_lies():
    assert Bands().label(Band.LOW) == "low, below 30 % of full scale"
    assert Bands().label(Band.MID) == "mid, 30 % to 70 % of full scale"
    assert Bands(0.2, 0.75).label(Band.UPPER) == "upper, above 75 % of full scale"


def test_an_empty_middle_is_allowed():
    """low_below equal to upper_above leaves only the value itself in the middle."""
    bands = Bands(0.5, 0.5)
    assert [bands.of(x) for x in (0.49, 0.5, 0.51)] == [Band.LOW, Band.MID, Band.UPPER]
