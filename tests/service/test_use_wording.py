"""The cycles since the last check in words: the number, and what tells it."""

import pytest

from analysis.use_since import Work, use_since
from service.use_wording import use_in_words

CHECK, TODAY = 20_000.0, 20_100.0
PULLS = ((20_080.0, 1200), (20_090.0, 40))


@pytest.mark.parametrize(
    ("pulls", "begun", "read_day", "read", "pace", "words"),
    [
        ((), None, TODAY, 700.0, None, "700 cycles by its counter since that check."),
        ((), None, TODAY, 0.0, None, "No cycle by its counter since that check."),
        (PULLS, 19_000.0, CHECK + 0.01, 0.0, None, "1,240 recorded pulls since that check."),
        (PULLS, 19_000.0, CHECK, 0.0, None, "1,240 recorded pulls since that check."),
        (((20_080.0, 1),), CHECK, CHECK, 0.0, None, "1 recorded pull since that check."),
        (
            PULLS[1:], 19_000.0, 20_085.0, 700.0, None,
            "700 cycles by its counter and 40 recorded pulls since that check.",
        ),
        (
            (), None, CHECK, 0.0, 8.2,
            ("About 820 cycles assumed at its pace of 8.2 a day since that check, as no work is "
            "recorded since."),
        ),
        (
            (), None, CHECK, 0.0, 0.0,
            "Less than one cycle assumed since that check, at its pace of 0 a day.",
        ),
        (
            PULLS, 20_080.0, CHECK, 0.0, 8.0,
            ("1,240 recorded pulls since 2024-12-23 and about 640 cycles assumed at its pace of 8 "
            "a day since that check, as recording began later."),
        ),
        (
            (), None, CHECK, 0.0, None,
            ("The number of cycles since that check is not known: neither a counter nor recorded "
            "work tells all of it, and its pace of use is not known."),
        ),
        (
            PULLS, 20_080.0, CHECK, 0.0, None,
            ("The number of cycles since that check is not known, but at least 1,240: neither a "
            "counter nor recorded work tells all of it, and its pace of use is not known."),
        ),
    ],
)  # fmt: skip
def test_the_count_and_what_tells_it(pulls, begun, read_day, read, pace, words) -> None:
    use = use_since(Work(CHECK, read_day, read, begun, pulls, TODAY), pace)
    assert use_in_words(use, "UTC") == words
