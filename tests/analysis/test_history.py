"""Packing of readings into arrays: nothing lost, nothing mixed up, order in time."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_histories import Story, Visit, deviations_frame, histories_of

from analysis.history import ROUNDING_SD_PCT, Histories, pack_histories
from analysis.vocabulary import CheckKind, Direction

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE
STORIES = [
    Story(
        [
            Visit(20.0, [(0.2, 1.0), (0.2, 2.0), (1.0, 0.5)], CheckKind.AS_LEFT, cycles=100.0),
            Visit(385.25, [(0.6, -1.0)]),
        ],
        wrench="B-2",
    ),
    Story([Visit(7.0, [(0.6, 0.25)], CheckKind.VERIFICATION)], wrench="A-1"),
    Story([Visit(9.0, [(0.4, 9.0)])], wrench="A-1", direction=CCW),
    Story(
        [Visit(10.0, [(0.2, 0.1)]), Visit(10.0, [(0.2, 0.0)], CheckKind.AS_LEFT),
         Visit(40.0, [(0.2, 0.3), (0.6, 0.4), (1.0, 0.5)])],
        wrench="C-3",
    ),
]  # fmt: skip


def test_histories_hold_what_the_frame_says() -> None:
    """Wrenches by name, checks by time, targets ascending, one direction only."""
    packed = histories_of(*STORIES)
    assert packed.wrenches == ("A-1", "B-2", "C-3")
    assert packed.checks == (("A-1/00",), ("B-2/00", "B-2/01"), ("C-3/00", "C-3/01", "C-3/02"))
    np.testing.assert_array_equal(packed.day, [[7, 7, 7], [20, 385.25, 385.25], [10, 10, 40]])
    years = [[0, 0, 0], [0, 1, 1], [0, 0, 30 / 365.25]]
    np.testing.assert_allclose(packed.year, years, rtol=1e-15)
    np.testing.assert_array_equal(packed.clock, packed.year)
    np.testing.assert_array_equal(packed.present, [[1, 0, 0], [1, 1, 0], [1, 1, 1]])
    np.testing.assert_array_equal(packed.adjusted, [[0, 0, 0], [0, 0, 0], [0, 1, 0]])
    assert not packed.jumped.any()
    np.testing.assert_array_equal(packed.cycles, np.where(np.eye(3)[[1, 0, 2]] * [[0], [1], [0]],
                                                          100.0, np.nan))  # fmt: skip
    np.testing.assert_array_equal(packed.x[1, 0], [0.2, 1.0, 1.0])
    np.testing.assert_array_equal(packed.count[1, 0], [2, 1, 0])
    np.testing.assert_allclose(packed.mean_pct[1, 0], [1.5, 0.5, 0.0])
    hidden = ROUNDING_SD_PCT**2
    np.testing.assert_allclose(packed.squares[1, 0], [0.5 + 2 * hidden, hidden, 0.0], rtol=1e-12)
    np.testing.assert_array_equal(packed.x[2, 2], [0.2, 0.6, 1.0])
    np.testing.assert_array_equal(packed.mean_pct[2, 2], [0.3, 0.4, 0.5])


def test_the_other_direction_is_a_history_of_its_own() -> None:
    """Counter-clockwise readings of A-1 do not enter its clockwise history."""
    packed = pack_histories(deviations_frame(STORIES), CCW)
    assert packed.wrenches == ("A-1",)
    assert packed.mean_pct.ravel().tolist() == [9.0]


def test_found_comes_before_left_at_one_instant_whatever_the_names_say() -> None:
    """The check after the adjustment is the as-left one, even with an earlier identity."""
    frame = deviations_frame([STORIES[3]]).with_columns(
        pl.col("check").replace({"C-3/00": "z", "C-3/01": "a"})
    )
    packed = pack_histories(frame, CW)
    assert packed.checks[0][:2] == ("z", "a")
    assert packed.adjusted[0].tolist() == [False, True, False]


@given(order=st.permutations(range(sum(len(v.readings) for s in STORIES for v in s.visits))))
@settings(max_examples=20, deadline=None)
def test_the_order_of_rows_does_not_matter(order: list[int]) -> None:
    """Any order of readings packs to the same arrays, up to rounding in sums."""
    packed = histories_of(*STORIES)
    shuffled = pack_histories(deviations_frame(STORIES)[order], CW)
    assert (shuffled.wrenches, shuffled.checks) == (packed.wrenches, packed.checks)
    for name in ("day", "year", "present", "adjusted", "x", "count", "cycles"):
        np.testing.assert_array_equal(getattr(shuffled, name), getattr(packed, name))
    np.testing.assert_allclose(shuffled.mean_pct, packed.mean_pct, rtol=1e-14)
    np.testing.assert_allclose(shuffled.squares, packed.squares, rtol=1e-12)


def test_readings_written_alike_still_leave_room_for_scatter() -> None:
    """Five equal readings hide at least their rounding; without it the likelihood has no top."""
    packed = histories_of(Story([Visit(0.0, [(0.6, 1.0)] * 5)]))
    assert packed.squares[0, 0, 0] == pytest.approx(5 * ROUNDING_SD_PCT**2, rel=1e-12)


def test_taking_wrenches_takes_all_that_is_theirs() -> None:
    """Order and repetition as asked; the rest untouched."""
    packed = histories_of(*STORIES)
    taken = packed.take([2, 0])
    assert taken.wrenches == ("C-3", "A-1")
    assert taken.checks == (packed.checks[2], packed.checks[0])
    for name in Histories.__dataclass_fields__:
        if name not in ("wrenches", "checks"):
            np.testing.assert_array_equal(getattr(taken, name), getattr(packed, name)[[2, 0]])


def test_no_reading_packs_to_no_wrench() -> None:
    """An empty frame is an empty set of histories, and taking nobody of it works."""
    packed = pack_histories(deviations_frame([]), CW)
    assert packed.size == 0
    assert packed.wrenches == ()
    assert packed.count.shape == (0, 1, 1)
    assert packed.take([]).size == 0
