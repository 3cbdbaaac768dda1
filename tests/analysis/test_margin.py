"""The margin of a pull to the nearer limit, in three units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.deviation import deviation_pct
from analysis.margin import margin


def test_a_wrench_that_delivers_low_is_near_the_low_limit():
    """104 indicated at a deviation of 0 delivers 104; at the limit of +4 %, 100."""
    found = margin(104.0, 0.0, 1.0, 4.0)
    assert found.nm == pytest.approx(4.0)
    assert (found.pct, found.sds, found.low) == (4.0, 4.0, True)


def test_a_wrench_that_delivers_high_is_near_the_high_limit():
    found = margin(96.0, -3.0, 0.5, 4.0)
    assert found.low is False
    assert found.pct == pytest.approx(1.0)
    assert found.sds == pytest.approx(2.0)
    assert found.nm == pytest.approx(96 / 0.96 - 96 / 0.97)


def test_beyond_a_limit_every_margin_is_negative():
    for deviation in (5.0, -5.0):
        found = margin(50.0, deviation, 1.0, 4.0)
        assert (found.pct, found.sds) == (-1.0, -1.0)
        assert found.nm < 0


def test_a_pull_without_spread_is_infinitely_far():
    assert margin(50.0, 1.0, 0.0, 4.0).sds == math.inf
    assert margin(50.0, 5.0, 0.0, 4.0).sds == -math.inf


@given(st.floats(1, 600), st.floats(-10, 10), st.floats(1, 10))
def test_the_torque_that_the_margin_leads_to_deviates_by_the_limit(torque, deviation, mpd):
    found = margin(torque, deviation, 1.0, mpd)
    expected = torque / (1 + deviation / 100)
    at_limit = expected - found.nm if found.low else expected + found.nm
    assert abs(deviation_pct(torque, at_limit)) == pytest.approx(mpd)
