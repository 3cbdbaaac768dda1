"""Counts of cycles from recorded work: a counter wins, and counts never fall."""

import numpy as np
import polars as pl
import pytest

from analysis.use_count import with_use_counted


def counted(
    checks: list[tuple[float, float | None]], work: list[tuple[float, int]], wrench: str = "A-1"
) -> list[float | None]:
    frame = pl.DataFrame(
        [(wrench, day, cycles) for day, cycles in checks],
        schema={"wrench": pl.String, "day": pl.Float64, "cycles": pl.Float64},
        orient="row",
    )
    pulls = pl.DataFrame(
        [("A-1", day, count) for day, count in work],
        schema={"wrench": pl.String, "day": pl.Float64, "count": pl.Int64},
        orient="row",
    )
    filled = with_use_counted(frame, pulls)
    assert filled.columns == frame.columns
    return filled["cycles"].to_list()


WORK = [(5.0, 10), (50.0, 30), (150.0, 60), (250.0, 100)]


def test_after_the_last_counter_recorded_work_is_added() -> None:
    assert counted([(0, 1000), (100, None), (200, None)], WORK) == [1000, 1040, 1100]


def test_between_counters_work_says_when_and_the_counters_how_much() -> None:
    """400 cycles, of which 100 pulls are on record: 40 of them by day 100."""
    assert counted([(0, 1000), (100, None), (200, 1400)], WORK) == [1000, 1160, 1400]


@pytest.mark.parametrize(
    ("checks", "work"),
    [
        ([(0, None), (100, None)], WORK),
        ([(0, 1000), (100, None)], [(40.0, 10)]),
        ([(0, 1000), (100, None)], []),
        ([(60, 1000), (100, None)], WORK[:2]),
    ],
    ids=["never counted", "recording began late", "no work", "no work since"],
)
def test_what_nothing_tells_stays_unknown(checks, work) -> None:
    assert counted(checks, work)[-1] is None


def test_a_counter_that_was_set_back_begins_anew() -> None:
    assert counted([(0, 1000), (100, None), (200, 5), (300, None)], WORK) == [1000, 1040, 5, 105]


def test_another_wrench_s_work_counts_nothing() -> None:
    assert counted([(0, 1000), (100, None)], WORK, wrench="A-2") == [1000, None]


def test_counts_never_fall_whatever_is_recorded() -> None:
    random = np.random.default_rng(2)
    for _ in range(50):
        days = np.sort(random.uniform(0, 900, 12))
        read = random.random(12) < 0.5
        true = np.cumsum(random.integers(0, 500, 12))
        checks = [
            (float(day), float(count) if known else None)
            for day, count, known in zip(days, true, read, strict=True)
        ]
        work = [(float(day), 7) for day in np.sort(random.uniform(0, 900, 40))]
        found = [count for count in counted(checks, work) if count is not None]
        assert found == sorted(found)
