"""Histories of verdicts alone: what each says, and tests of a share."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_wrench import check_rows, history
from scipy.stats import binom

from analysis.pass_fail import (
    VISITS,
    PassFail,
    binomial_limits,
    interval_test,
    since_renewal,
    visits_of,
)
from analysis.vocabulary import Direction


def visits(*rows: tuple[str, float, bool | None, bool]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=VISITS, orient="row")


def as_rows(found: PassFail) -> list[tuple[float, float, bool]]:
    return list(zip(found.known_in, found.checked, found.passed, strict=True))


def test_each_verdict_counts_from_the_renewal_and_the_last_time_in() -> None:
    found = since_renewal(
        visits(
            ("A", 100.0, None, True),
            ("A", 200.0, True, False),
            ("A", 350.0, False, True),
            ("A", 400.0, True, False),
        )
    )
    assert as_rows(found) == [(0.0, 100.0, True), (100.0, 250.0, False), (0.0, 50.0, True)]
    assert found.excluded == 0


def test_an_adjustment_of_a_wrench_found_in_begins_anew_too() -> None:
    found = since_renewal(
        visits(("A", 0.0, None, True), ("A", 100.0, True, True), ("A", 130.0, True, False))
    )
    assert as_rows(found) == [(0.0, 100.0, True), (0.0, 30.0, True)]


def test_out_and_not_renewed_says_nothing_new() -> None:
    """Two verdicts on a wrench that everybody knows is out are not evidence."""
    found = since_renewal(
        visits(
            ("A", 0.0, None, True),
            ("A", 100.0, False, False),
            ("A", 200.0, False, False),
            ("A", 300.0, True, True),
            ("A", 360.0, False, False),
        )
    )
    assert as_rows(found) == [(0.0, 100.0, False), (0.0, 60.0, False)]
    assert found.excluded == 2


def test_without_a_known_renewal_a_verdict_has_no_age() -> None:
    found = since_renewal(visits(("A", 0.0, True, False), ("B", 5.0, None, True)))
    assert found.size == 0
    assert found.excluded == 1


def test_visits_of_one_day_are_one() -> None:
    found = since_renewal(
        visits(("A", 0.0, None, True), ("A", 9.0, True, False), ("A", 9.0, False, True))
    )
    assert as_rows(found) == [(0.0, 9.0, False)]


def test_the_order_of_rows_does_not_matter() -> None:
    frame = visits(
        ("A", 0.0, None, True), ("B", 0.0, None, True), ("A", 9.0, True, False),
        ("B", 4.0, False, True), ("A", 20.0, False, False), ("B", 7.0, True, False),
    )  # fmt: skip
    assert as_rows(since_renewal(frame)) == as_rows(since_renewal(frame.reverse()))


def test_a_check_before_its_renewal_is_refused() -> None:
    with pytest.raises(ValueError, match="after the renewal"):
        PassFail(np.array([5.0]), np.array([5.0]), np.array([True]))


def test_numeric_checks_become_visits() -> None:
    """Card passed: new. Then found in, found out, left in: the last visit begins anew."""
    frame = history(
        check_rows("a", {60.0: [0.1, 0.2]}, kind="verification"),
        check_rows("b", {60.0: [3.9, 4.0], 20.0: [1.0]}, day=100.0),
        check_rows("c", {60.0: [3.9, 4.1], 20.0: [1.0]}, day=200.0),
        check_rows("d", {60.0: [0.0, 0.1]}, day=200.0, kind="as_left"),
        check_rows("e", {60.0: [0.5]}, day=230.0, direction="counter_clockwise"),
    )
    found = visits_of(frame.sample(fraction=1.0, shuffle=True, seed=1), Direction.CLOCKWISE)
    assert found.rows() == [
        ("W-1", 0.0, None, True),
        ("W-1", 100.0, True, False),
        ("W-1", 200.0, False, False),
        ("W-1", 200.0, None, True),
    ]
    assert found.schema == VISITS
    assert as_rows(since_renewal(found)) == [(0.0, 100.0, True), (100.0, 200.0, False)]


def test_a_wrench_found_out_at_first_sight_is_not_new() -> None:
    frame = history(
        check_rows("a", {60.0: [5.0]}),
        check_rows("b", {60.0: [5.0]}, day=3.0, kind="as_left"),
        check_rows("c", {60.0: [1.0]}, day=50.0),
    )
    found = since_renewal(visits_of(frame, Direction.CLOCKWISE))
    assert found.size == 0
    assert found.excluded == 2


def test_no_stated_tolerance_no_verdict() -> None:
    frame = history(check_rows("a", {60.0: [5.0]}, direction="counter_clockwise"))
    assert visits_of(frame, Direction.COUNTER_CLOCKWISE).is_empty()


@given(st.integers(0, 60), st.integers(1, 60), st.floats(0.001, 0.4))
def test_binomial_limits_leave_the_tails_they_say(passed: int, extra: int, tail: float) -> None:
    """At each limit the chance of so many, or so few, is the tail."""
    checks = passed + extra
    low, high = binomial_limits(passed, checks, tail)
    assert 0.0 <= low <= passed / checks <= high <= 1.0
    assert binom.cdf(passed, checks, high) == pytest.approx(tail, rel=1e-6)
    if passed:
        assert binom.sf(passed - 1, checks, low) == pytest.approx(tail, rel=1e-6)


@pytest.mark.parametrize(
    ("passed", "checks", "change"),
    [(18, 20, "keep"), (20, 20, "keep"), (12, 20, "shorten"), (200, 200, "lengthen")],
)
def test_an_interval_is_changed_only_against_evidence(
    passed: int, checks: int, change: str
) -> None:
    """Target 0.95: twenty good checks do not show that more than that are good."""
    assert interval_test(passed, checks, 0.95).change == change
