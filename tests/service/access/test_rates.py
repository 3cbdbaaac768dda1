"""Buckets: full at first, filled at a steady rate, one for each key."""

import pytest

from service.access.rates import Rates, TooMany


class Time:
    def __init__(self):
        self.s = 0.0

    def __call__(self):
        return self.s


def takes(rates, key, times):
    """How many of so many tries were let through."""
    passed = 0
    for _ in range(times):
        try:
            rates.take(key, "too often")
        except TooMany:
            continue
        passed += 1
    return passed


def test_a_minutes_worth_at_once_and_then_at_the_rate():
    time = Time()
    rates = Rates(60, time)
    assert takes(rates, "a", 100) == 60
    time.s = 5
    assert takes(rates, "a", 100) == 5
    time.s = 3600
    assert takes(rates, "a", 100) == 60


def test_one_caller_takes_nothing_from_another():
    rates = Rates(3, Time())
    assert takes(rates, "a", 5) == 3
    assert takes(rates, "b", 5) == 3


def test_who_waits_as_told_is_let_in():
    time = Time()
    rates = Rates(7, time)
    takes(rates, "a", 7)
    with pytest.raises(TooMany, match="too often; wait 9 s") as caught:
        rates.take("a", "too often")
    time.s = caught.value.retry_after_s
    rates.take("a", "too often")


def test_what_is_kept_is_bounded(monkeypatch):
    monkeypatch.setattr("service.access.rates._MOST_KEPT", 10)
    rates = Rates(1, Time())
    for other in range(100):
        takes(rates, f"other {other}", 1)
    assert len(rates._buckets) == 10
    assert takes(rates, "other 99", 1) == 0
