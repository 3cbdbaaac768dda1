"""What the sheet of a wrench says of numbers: low and high, intervals, rates, adjustments."""

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.drift import Jump, Rate, Segment
from service.frames import number_of_date
from service.wrench_wording import (
    between_in_words,
    off_in_words,
    rate_in_words,
    segments_in_words,
)


@pytest.mark.parametrize(
    ("pct", "words"),
    [(0.93, "0.93 % low"), (-1.26, "1.3 % high"), (0.066, "0.07 % low"), (0.0, "true")],
)
def test_a_deviation_is_low_or_high(pct: float, words: str) -> None:
    """Positive delivers less than it says: ISO 6789, the sign from memory."""
    assert off_in_words(pct) == words


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [
        (0.3, 1.2, "0.3 to 1.2 % low"),
        (-1.2, -0.3, "0.3 to 1.2 % high"),
        (-0.28, 0.89, "0.28 % high to 0.89 % low"),
    ],
)
def test_an_interval_says_both_its_ends(lower: float, upper: float, words: str) -> None:
    assert between_in_words(lower, upper) == words


def a_rate(per_year: float, tail: float) -> Rate:
    return Rate(per_year=per_year, sd=0.1, lower=-1, upper=1, tail_probability=tail)


def test_a_rate_whose_sign_is_open_is_no_drift() -> None:
    assert rate_in_words(a_rate(0.79, 0.005)) == "0.79 % a year towards low"
    assert rate_in_words(a_rate(-0.79, 0.005)) == "0.79 % a year towards high"
    assert rate_in_words(a_rate(0.79, 0.06)) == "no clear drift"


def a_day(text: str) -> float:
    from datetime import date

    return number_of_date(date.fromisoformat(text)) + 0.5


def an_analysis(jumps: tuple[Jump, ...], *adjusted: str) -> Any:
    first = Segment(a_day("2024-01-01"), a_day("2024-06-01"), 2, "first check")
    later = [Segment(a_day(day), a_day(day), 1, "adjustment") for day in adjusted]
    return SimpleNamespace(drift=SimpleNamespace(jumps=jumps, segments=(first, *later)))


def test_adjustments_are_told_in_one_sentence() -> None:
    assert list(segments_in_words(an_analysis(()), "UTC")) == []
    assert list(segments_in_words(an_analysis((), "2025-03-02"), "UTC")) == [
        "It was adjusted on 2025-03-02; 1 check since."
    ]
    assert list(segments_in_words(an_analysis((), "2025-03-02", "2025-09-02"), "UTC")) == [
        "It was adjusted on 2025-09-02, and before that on 2025-03-02; 1 check since."
    ]


def test_a_jump_is_told_with_its_days_and_size() -> None:
    jump = Jump((a_day("2025-01-02"), a_day("2025-02-03")), "c", 80.0, 1.2, -0.3)
    (told,) = segments_in_words(an_analysis((jump,)), "UTC")
    assert told == (
        "Between 2025-01-02 and 2025-02-03 it changed at once, and nobody logged why: 1.2 % of "
        "every reading towards low, and 0.3 % of full scale towards high. Nothing is extrapolated "
        "across it."
    )
