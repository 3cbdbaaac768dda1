"""The clocks of drift: time, use, and the logarithm of time since the last adjustment."""

import numpy as np
import pytest
from sample_histories import Story, Visit, histories_of

from analysis.error_law import DAYS_PER_YEAR
from analysis.history import Histories
from analysis.time_basis import (
    TimeBasis,
    clock_ahead,
    clock_on,
    clock_sd_per_year,
    cycles_per_year,
    other_bases,
    pace_spreads,
    typical_pace,
    with_clock,
)
from analysis.vocabulary import CheckKind

Counts = list[float | None]


def _counted(counts: Counts, years: list[float] | None = None, wrench: str = "A") -> Story:
    when = [float(i) for i in range(len(counts))] if years is None else years
    return Story(
        [
            Visit(DAYS_PER_YEAR * year, [(0.6, 0.0)], cycles=count)
            for year, count in zip(when, counts, strict=True)
        ],
        wrench=wrench,
    )


def _use(counts: Counts, typical: float, years: list[float] | None = None) -> Histories:
    return with_clock(histories_of(_counted(counts, years)), TimeBasis.USE, typical)


@pytest.mark.parametrize(
    ("counts", "pace"),
    [
        ([0.0, 1000.0, 2000.0], 1000.0),
        ([500.0, None, 2500.0], 1000.0),
        ([0.0, 1000.0, None, 3000.0], 1000.0),
        ([None, 100.0, 1100.0, None], 1000.0),
        ([0.0, 2000.0, 500.0, 2500.0], 2000.0),
        ([0.0, 2000.0, None, 500.0, 2500.0], 2000.0),
        ([7.0], np.nan),
        ([None, None], np.nan),
        ([100.0, 100.0], np.nan),
        ([100.0, 50.0], np.nan),
    ],
    ids=["plain", "gap", "gap after", "ends unknown", "set back", "set back in a gap", "one count",
         "none", "no use", "only set back"],
)  # fmt: skip
def test_pace_is_use_over_the_stretches_that_tell_of_it(counts: Counts, pace: float) -> None:
    """A missing count does not lose the use around it; one set back loses only its own stretch."""
    got = cycles_per_year(histories_of(_counted(counts)))[0]
    assert got == pytest.approx(pace, nan_ok=True)


def test_counts_of_one_week_tell_no_pace() -> None:
    """Two counts a week apart say nothing of a year."""
    assert np.isnan(cycles_per_year(histories_of(_counted([0.0, 90.0], [0.0, 0.02])))[0])


def test_the_typical_pace_is_the_median_of_the_known_ones() -> None:
    """Unknown ones left out; not known when none is."""
    stories = [
        _counted([0.0, pace], wrench=name)
        for name, pace in (("A", 1000.0), ("B", 4000.0), ("C", 1500.0), ("D", None))
    ]
    assert typical_pace(histories_of(*stories)) == pytest.approx(1500.0)
    assert np.isnan(typical_pace(histories_of(stories[3])))
    assert np.isnan(typical_pace(histories_of()))


@pytest.mark.parametrize(
    ("counts", "clock"),
    [
        ([0.0, 1000.0, 5000.0], [0.0, 0.5, 2.5]),
        ([0.0, None, 4000.0], [0.0, 1.0, 2.0]),
        ([None, 1000.0, 3000.0], [0.0, 1.0, 2.0]),
        ([0.0, 4000.0, 1000.0, 3000.0], [0.0, 2.0, 3.5, 4.5]),
        ([None, None], [0.0, 1.0]),
    ],
    ids=["counted", "gap", "first unknown", "set back", "never counted"],
)
def test_the_clock_of_use_counts_years_of_a_typical_wrench(
    counts: Counts, clock: list[float]
) -> None:
    """2,000 cycles are a year; where no count tells, the wrench's own pace or the typical one."""
    np.testing.assert_allclose(_use(counts, 2000.0).clock[0], clock, atol=1e-12)


def test_padding_does_not_move_any_clock() -> None:
    """A shorter history beside a longer one: its clock stands still after its last check."""
    long, short = _counted([0.0, 1000.0, 2000.0]), _counted([0.0, 700.0], wrench="B")
    for basis in TimeBasis:
        both = with_clock(histories_of(long, short), basis, 2000.0)
        alone = with_clock(histories_of(short), basis, 2000.0)
        np.testing.assert_allclose(both.clock[1], [*alone.clock[0], alone.clock[0, -1]])


def test_the_clock_of_log_time_starts_anew_at_an_adjustment() -> None:
    """One year after the start is one year of the clock; the next quarter year counts far less."""
    kinds = [CheckKind.AS_FOUND, CheckKind.AS_FOUND, CheckKind.AS_LEFT, CheckKind.AS_FOUND]
    years = [0.0, 1.0, 1.0, 1.25]
    story = Story(
        [
            Visit(DAYS_PER_YEAR * year, [(0.6, 0.0)], kind)
            for year, kind in zip(years, kinds, strict=True)
        ]
    )
    histories = with_clock(histories_of(story), TimeBasis.LOG_TIME, np.nan)
    scale = np.log1p(1 / 0.25)
    np.testing.assert_allclose(histories.clock[0], [0, 1, 1, 1 + np.log(2.0) / scale], rtol=1e-12)
    ahead = clock_ahead(histories, TimeBasis.LOG_TIME, np.nan, np.array([0.75]))
    np.testing.assert_allclose(ahead, 1 - np.log(2.0) / scale, rtol=1e-12)


@pytest.mark.parametrize("basis", TimeBasis)
def test_the_clock_ahead_goes_on_where_the_history_ends(basis: TimeBasis) -> None:
    """A check that comes later would read the clock that was foretold for its day."""
    counts: Counts = [0.0, 1500.0, 3000.0, 4500.0]
    whole = with_clock(histories_of(_counted(counts)), basis, 2000.0)
    begun = with_clock(histories_of(_counted(counts[:3])), basis, 2000.0)
    ahead = clock_ahead(begun, basis, 2000.0, np.array([1.0]))
    np.testing.assert_allclose(begun.clock[0, -1] + ahead, whole.clock[0, -1:], rtol=1e-12)
    days = DAYS_PER_YEAR * np.array([0.0, 0.5, 1.0, 2.0, 3.0])
    on = clock_on(begun, basis, 2000.0, days)
    np.testing.assert_allclose(on[[0, 2, 3, 4]], whole.clock[0], rtol=1e-12)
    assert on[0] < on[1] < on[2]


def test_use_is_a_basis_only_where_most_checks_have_a_count() -> None:
    """Four of five at least."""
    assert TimeBasis.USE in other_bases(histories_of(_counted([0.0, 1.0, 2.0, 3.0, None])))
    assert TimeBasis.USE not in other_bases(histories_of(_counted([0.0, 1.0, 2.0, None])))
    assert TimeBasis.USE not in other_bases(histories_of())


def test_doubt_about_use_ahead_is_the_spread_of_past_paces() -> None:
    """Paces 1,000 and 2,000 cycles a year by turns: SD of the logarithm 0.38, for eight wrenches.

    The expected SD is worked out from the two logarithms by hand: six stretches a wrench, half of
    them each way, so the pooled variance is 6 (ln 2 / 2)² / 5.
    """
    stories = []
    for number in range(8):
        cycles, visits = 0.0, []
        for year in range(7):
            visits.append(Visit(365.25 * year, [(1.0, 0.0)] * 3, cycles=cycles))
            cycles += 1000.0 if year % 2 else 2000.0
        stories.append(Story(visits, wrench=f"W-{number}"))
    histories = histories_of(*stories)
    pace = typical_pace(histories)
    doubt = clock_sd_per_year(histories, TimeBasis.USE, pace, pace_spreads(histories))
    within = np.log(2.0) / 2 * np.sqrt(6 / 5)
    assert doubt == pytest.approx(within * np.sqrt(1 + 1 / 6), rel=1e-9)


def test_a_wrench_without_counts_is_doubted_as_much_as_wrenches_differ() -> None:
    """Steady paces of 1,000 to 3,000 a year: what varies is the wrench, so the uncounted one."""
    stories = [
        Story(
            [
                Visit(365.25 * year, [(1.0, 0.0)] * 3, cycles=500.0 * (number + 2) * year)
                for year in range(4)
            ],
            wrench=f"W-{number}",
        )
        for number in range(5)
    ]
    stories.append(Story([Visit(0.0, [(1.0, 0.0)] * 3)], wrench="W-new"))
    histories = histories_of(*stories)
    doubt = clock_sd_per_year(
        histories, TimeBasis.USE, typical_pace(histories), pace_spreads(histories)
    )
    spread = np.log(500.0 * np.arange(2, 7)).std(ddof=1)
    assert doubt[:5] == pytest.approx(0.0, abs=1e-9)
    assert doubt[5] == pytest.approx(spread, rel=1e-6)


def test_time_has_no_doubt_of_its_own() -> None:
    histories = histories_of(Story([Visit(0.0, [(1.0, 0.0)] * 3)]))
    spreads = pace_spreads(histories)
    assert clock_sd_per_year(histories, TimeBasis.TIME, float("nan"), spreads) == [0.0]
