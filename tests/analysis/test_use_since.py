"""Cycles since the last check: what tells them, and the day on which they reach the cap."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.use_since import UseSource, Work, cap_days, use_since

CHECK, TODAY = 20_000.0, 20_100.0
PULLS = ((20_010.0, 100), (20_050.0, 200), (20_090.0, 300))


def work(pulls=PULLS, begun=19_500.0, read_day=CHECK, read=0.0, until=TODAY):
    return Work(CHECK, read_day, read, begun if pulls else None, pulls, until)


def test_recorded_pulls_are_the_count() -> None:
    use = use_since(work(), 4.0)
    assert (use.source, use.cycles, use.assumed) == (UseSource.PULLS, 600.0, 0.0)


@pytest.mark.parametrize(
    ("begun", "source", "assumed"),
    [
        (CHECK - 900, UseSource.PULLS, 0.0),
        (CHECK + 31, UseSource.PULLS, 0.0),
        (CHECK + 40, UseSource.PACE_ASSUMED, 160.0),
    ],
    ids=["long before", "just in time", "too late"],
)
def test_recording_that_began_late_leaves_the_time_before_to_the_pace(
    begun: float, source: UseSource, assumed: float
) -> None:
    use = use_since(work(PULLS[1:], begun), 4.0)
    assert (use.source, use.recorded, use.assumed) == (source, 500.0, assumed)
    assert use.cycles == 500.0 + assumed


def test_without_recorded_work_the_pace_tells_all() -> None:
    use = use_since(work(()), 4.0)
    assert (use.source, use.cycles, use.assumed) == (UseSource.PACE_ASSUMED, 400.0, 400.0)
    assert use.cap_day(1000) == pytest.approx(CHECK + 250)


def test_with_nothing_at_all_nothing_is_known() -> None:
    use = use_since(work(()), None)
    assert (use.source, use.cycles, use.cycles_per_day) == (UseSource.UNKNOWN, None, None)
    assert np.isinf(use.cap_day(1))


def test_a_pace_unknown_and_recording_begun_late_is_a_least_count() -> None:
    """Three weeks of pulls give no pace: the count is unknown, and yet 400 cannot be less."""
    use = use_since(work(((20_080.0, 100), (20_090.0, 300)), begun=20_080.0), None)
    assert (use.source, use.cycles, use.recorded) == (UseSource.UNKNOWN, None, 400.0)
    assert use.cap_day(400) == 20_090.0
    assert np.isinf(use.cap_day(401))


def test_pulls_over_a_month_give_the_pace_that_no_counter_told() -> None:
    use = use_since(work(), None)
    assert use.cycles_per_day == pytest.approx(6.0)
    assert use.cap_day(1200) == pytest.approx(TODAY + 100)
    late = use_since(work(PULLS[1:], begun=20_050.0), None)
    assert late.cycles_per_day == pytest.approx(10.0)
    assert (late.source, late.cycles) == (UseSource.PACE_ASSUMED, 1000.0)


def test_a_counter_read_today_at_the_other_direction_s_check_counts() -> None:
    use = use_since(work((), read_day=TODAY, read=700.0), 4.0)
    assert (use.source, use.cycles) == (UseSource.COUNTER, 700.0)
    assert use.cap_day(350) == pytest.approx(CHECK + 50)
    assert use.cap_day(900) == pytest.approx(TODAY + 50)


def test_pulls_are_added_to_a_counter_read_since() -> None:
    use = use_since(work(PULLS[1:], read_day=20_020.0, read=150.0), 4.0)
    assert (use.source, use.cycles) == (UseSource.PULLS, 650.0)
    assert use.cap_day(200) == 20_050.0


def test_the_cap_is_reached_on_the_day_of_the_pull_that_reaches_it() -> None:
    use = use_since(work(), 4.0)
    assert [use.cap_day(cap) for cap in (100, 101, 300, 600)] == [
        20_010.0, 20_050.0, 20_050.0, 20_090.0,
    ]  # fmt: skip
    assert use.cap_day(800) == pytest.approx(TODAY + 50)


def test_a_wrench_at_rest_never_reaches_it() -> None:
    assert np.isinf(use_since(work(()), 0.0).cap_day(5000))
    np.testing.assert_array_equal(cap_days([use_since(work(()), 0.0)], 5000), [np.inf])
    assert cap_days([], 5000).shape == (0,)


@settings(deadline=None, max_examples=200)
@given(
    days=st.lists(st.floats(CHECK + 1, TODAY), max_size=8, unique=True),
    begun=st.floats(CHECK - 50, CHECK + 60),
    read=st.floats(0, 500),
    read_after=st.floats(0, 90),
    pace=st.none() | st.floats(0, 50),
)
def test_a_higher_cap_is_reached_later_and_one_reached_lies_in_the_past(
    days: list[float], begun: float, read: float, read_after: float, pace: float | None
) -> None:
    read_day = CHECK + read_after
    pulls = tuple((day, 40) for day in sorted(days) if day > max(read_day, begun))
    use = use_since(work(pulls, begun, read_day, read if read_after else 0.0), pace)
    for low, high in pairwise([use.cap_day(cap) for cap in (1, 50, 200, 600, 5000)]):
        assert CHECK <= low <= high + 1e-9
    if use.cycles is not None:
        for cap in (1, 50, 200, 600, 5000):
            assert (use.cap_day(cap) <= TODAY + 1e-6) == (use.cycles >= cap - 1e-6)
    least = use.read + use.recorded
    if least >= 1:
        assert use.cap_day(least) <= TODAY + 1e-6
