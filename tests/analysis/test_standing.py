"""Found out or not: decided by the checks in the order in which they were performed."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.deviation import with_deviations
from analysis.evidence import READINGS, WRENCHES
from analysis.standing import (
    UNKNOWN,
    Standing,
    found_out_by_readings,
    standing,
    standings,
)
from analysis.vocabulary import CheckKind, Direction

FOUND, LEFT, VERIFIED = CheckKind.AS_FOUND, CheckKind.AS_LEFT, CheckKind.VERIFICATION
WRENCH = pl.DataFrame(
    [("W", "spring", 20.0, 100.0, 4.0, None, False, False, None)], schema=WRENCHES, orient="row"
)


def deviations(checks, direction="clockwise"):
    """One reading at 100 N·m a check: 1 % low when it passes, 6 % low when not.

    checks  name, kind, day, whether it passes
    """
    rows = [
        ("W", direction, name, kind.value, day, None, False, 100.0, 100.0, 99 if passes else 94)
        for name, kind, day, passes in checks
    ]
    return with_deviations(WRENCH, pl.DataFrame(rows, schema=READINGS, orient="row"))


def found_out_by(checks):
    return standing(deviations(checks), "W", Direction.CLOCKWISE).found_out_by


@pytest.mark.parametrize(
    ("checks", "by"),
    [
        ([("a", FOUND, 1.0, True)], None),
        ([("a", FOUND, 1.0, False)], "a"),
        ([("a", VERIFIED, 1.0, False)], "a"),
        ([("a", FOUND, 1.0, False), ("b", LEFT, 2.0, True)], None),
        ([("a", FOUND, 1.0, False), ("b", LEFT, 2.0, False)], "a"),
        ([("a", FOUND, 1.0, False), ("b", FOUND, 2.0, True)], "a"),
        ([("a", LEFT, 1.0, True), ("b", FOUND, 2.0, False)], "b"),
        ([("a", FOUND, 1.0, False), ("b", LEFT, 2.0, True), ("c", FOUND, 3.0, False)], "c"),
        ([("a", LEFT, 1.0, False)], "a"),
    ],
)
def test_only_a_passed_check_as_left_lifts_what_a_failed_one_found(checks, by):
    assert found_out_by(checks) == by


def test_at_one_instant_a_check_as_left_counts_last_and_a_failed_one_after_it():
    assert found_out_by([("a", LEFT, 1.0, True), ("b", FOUND, 1.0, False)]) is None
    assert found_out_by([("a", LEFT, 1.0, True), ("b", LEFT, 1.0, False)]) == "b"


def test_without_a_stated_tolerance_nothing_fails():
    frame = deviations([("a", FOUND, 1.0, False)], direction="counter_clockwise")
    assert standings(frame) == {("W", Direction.COUNTER_CLOCKWISE): Standing(None, False)}


def test_a_wrench_without_a_check_stands_unknown():
    assert standing(deviations([]), "W", Direction.CLOCKWISE) == UNKNOWN
    assert not UNKNOWN.found_out


@given(
    checks=st.lists(
        st.tuples(st.sampled_from(CheckKind), st.integers(0, 6), st.booleans()), max_size=8
    ),
    order=st.randoms(use_true_random=False),
)
def test_the_order_of_arrival_changes_nothing(checks, order):
    named = [(f"c{i}", kind, float(day), passes) for i, (kind, day, passes) in enumerate(checks)]
    arrived = list(named)
    order.shuffle(arrived)
    assert found_out_by(arrived) == found_out_by(named)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 4),
            st.sampled_from(CheckKind),
            st.lists(
                st.sampled_from((90.0, 95.9, 96.0, 96.15384615384616, 100.0, 104.2)), min_size=1
            ),
        ),
        min_size=1,
        max_size=8,
    ),
    st.booleans(),
)
def test_plain_arithmetic_finds_what_the_frames_find(checks, of_full_scale):
    """Limits of 4 % are met to the digit, from both sides and on both bases."""
    rows = [
        ("W", "clockwise", f"check {n}", kind.value, float(day), None, False, 100.0, 100.0, reading)
        for n, (day, kind, readings) in enumerate(checks)
        for reading in readings
    ]
    wrench = WRENCH.with_columns(mpd_cw_of_full_scale=pl.lit(of_full_scale))
    frame = with_deviations(wrench, pl.DataFrame(rows, schema=READINGS, orient="row"))
    plain = [(row[2], row[3], row[4], row[8], row[9]) for row in reversed(rows)]
    assert (
        found_out_by_readings(plain, 4.0, of_full_scale, 100.0)
        == standing(frame, "W", Direction.CLOCKWISE).found_out_by
    )
    assert found_out_by_readings(plain, None, of_full_scale, 100.0) is None
    for day in range(5):
        before = [row for row in plain if row[2] < day]
        after = [row for row in plain if row[2] >= day]
        by = found_out_by_readings(before, 4.0, of_full_scale, 100.0)
        assert found_out_by_readings(
            after, 4.0, of_full_scale, 100.0, by=by
        ) == found_out_by_readings(plain, 4.0, of_full_scale, 100.0)
