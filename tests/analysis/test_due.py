"""Due dates against a daily scan, and the rules that bound them."""

import calendar
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_histories import (
    Story,
    Visit,
    a_law,
    family_of,
    histories_of,
    laws_together,
)

from analysis.arrays import Array
from analysis.due import (
    Bound,
    Due,
    DuePolicy,
    add_months,
    due_dates,
    first_crossings,
    outlooks,
)
from analysis.family import FamilyFit
from analysis.outlook import outlook
from analysis.pass_probability import CheckPlan, pass_probability, pass_probability_by_law
from analysis.use_since import UseSince, Work, use_since

PLAN = CheckPlan((0.2, 0.6, 1.0), 5)
TARGET = 0.9
POLICY = DuePolicy(reliability_target=TARGET, cap_months=12, cap_cycles=5000, floor_days=0)
STARTS = {"fresh": 0.0, "low": 1.6, "high": -2.4, "out": 4.5, "old": 0.5}


def _fleet() -> FamilyFit:
    """Wrenches from freshly right to plainly out; the last check of each on a day of its own."""
    law = laws_together(*(a_law(rate_sd=(r, 0.05), knocks_per_year=0.02) for r in (0.4, 0.8, 1.2)))
    stories = [
        Story(
            [
                Visit(20_000.0 + 10 * i, [(x, centre * 0.8) for x in PLAN.x for _ in range(5)]),
                Visit(20_150.5 + 10 * i, [(x, centre) for x in PLAN.x for _ in range(5)]),
            ],
            wrench=name,
        )
        for i, (name, centre) in enumerate(STARTS.items())
    ]
    return family_of(law, histories_of(*stories))


FAMILY = _fleet()
NAMES = FAMILY.histories.wrenches
SIZE = len(NAMES)
MPD = np.full((SIZE, 3), 4.0)
LAST = FAMILY.histories.day[:, -1]
NO_PACE = np.full(SIZE, np.nan)


def _uses(pace: Array) -> list[UseSince]:
    """Nothing recorded since the last check: all at the pace, where it is known."""
    return [
        use_since(Work.unrecorded(day), None if np.isnan(each) else float(each))
        for day, each in zip(LAST, pace, strict=True)
    ]


def _row(name: str) -> int:
    return NAMES.index(name)


def _daily(days: int) -> Array:
    """(days + 1, N) pass probability on each day after the last check."""
    return np.array(
        [pass_probability(outlook(FAMILY, LAST + d), PLAN, MPD) for d in range(days + 1)]
    )


def _dues(policy: DuePolicy = POLICY, pace: Array = NO_PACE, as_of: float = 20_400.0) -> list[Due]:
    seen = outlooks(FAMILY, PLAN, MPD, policy, as_of)
    return list(due_dates(FAMILY, PLAN, MPD, policy, _uses(pace), seen))


def test_the_crossing_is_the_first_day_of_a_daily_scan() -> None:
    """Within a day of the first whole day below the target, wrench by wrench; some never cross."""
    horizon = np.full(SIZE, 400.0)
    crossing, _ = first_crossings(FAMILY, PLAN, MPD, TARGET, horizon)
    below = _daily(400) < TARGET
    crossed = below.any(axis=0)
    assert crossed.any()
    np.testing.assert_array_equal(np.isfinite(crossing), crossed)
    first = below.argmax(axis=0)
    assert (np.abs(crossing - LAST - first)[crossed] <= 1.0).all()


def test_a_crossing_may_lie_anywhere_in_a_long_horizon() -> None:
    """Ten years on nothing is sure: every wrench has crossed, each within a day of the scan."""
    crossing, _ = first_crossings(FAMILY, PLAN, MPD, TARGET, np.full(SIZE, 3650.0))
    for i in range(SIZE):
        days = crossing[i] - LAST[i]
        for offset, below in ((-1.0, False), (1.0, True)):
            on = np.maximum(LAST + days + offset, LAST)
            if days > 0:
                p = pass_probability(outlook(FAMILY, on), PLAN, MPD)[i]
                assert (p < TARGET) == below


def test_a_wrench_found_out_is_due_at_once() -> None:
    """Below the target already on the day of its last check."""
    crossing, by_law = first_crossings(FAMILY, PLAN, MPD, TARGET, np.full(SIZE, 365.0))
    out = _row("out")
    assert crossing[out] == LAST[out]
    np.testing.assert_array_equal(by_law[:, out], LAST[out])


def test_each_wrench_s_horizon_is_its_own() -> None:
    """A crossing beyond a wrench's horizon is none."""
    far, far_by_law = first_crossings(FAMILY, PLAN, MPD, TARGET, np.full(SIZE, 3650.0))
    horizon = np.where(np.arange(SIZE) % 2, 3650.0, 5.0)
    near, near_by_law = first_crossings(FAMILY, PLAN, MPD, TARGET, horizon)
    within = far - LAST <= horizon
    np.testing.assert_array_equal(near, np.where(within, far, np.inf))
    np.testing.assert_array_equal(
        near_by_law, np.where(far_by_law - LAST <= horizon, far_by_law, np.inf)
    )


def test_the_crossing_under_each_law_is_near_its_own_scan() -> None:
    """Read off a monthly grid by a straight line: within ten days of the scan under that law."""
    _, by_law = first_crossings(FAMILY, PLAN, MPD, TARGET, np.full(SIZE, 700.0))
    scan = np.array(
        [pass_probability_by_law(outlook(FAMILY, LAST + d), PLAN, MPD) for d in range(0, 701, 5)]
    )
    below = scan < TARGET
    first = 5.0 * below.argmax(axis=0)
    crossed = below.any(axis=0)
    assert crossed.any()
    assert (np.abs(by_law - LAST - first)[crossed] <= 10.0).all()


def test_caps_bring_the_date_forward_and_name_themselves() -> None:
    """Months, cycles and reliability: the earliest wins and is named."""
    fresh, low = _row("fresh"), _row("low")
    plain = _dues()
    assert plain[low].bound_by is Bound.RELIABILITY
    assert plain[low].due_day == plain[low].reliability_day
    short = _dues(replace(POLICY, cap_months=1))
    assert short[fresh].bound_by is Bound.MONTHS
    assert short[fresh].due_day == short[fresh].months_day == add_months(LAST[fresh], 1)
    assert short[fresh].reliability_day is None
    used = _dues(pace=np.full(SIZE, 500.0))
    assert used[fresh].bound_by is Bound.CYCLES
    assert used[fresh].due_day == used[fresh].cycles_day == LAST[fresh] + 10.0
    assert used[fresh].use.cycles_per_day == 500.0


def test_a_pace_that_is_unknown_or_nil_sets_no_date() -> None:
    """No count, no use: the cap in cycles stays silent, without a warning."""
    pace = np.where(np.arange(SIZE) % 2, np.nan, 0.0)
    for due, known in zip(_dues(pace=pace), np.isfinite(pace), strict=True):
        assert due.cycles_day is None
        assert due.use.cycles_per_day == (0.0 if known else None)
        assert due.bound_by is not Bound.CYCLES


def test_a_floor_keeps_a_wrench_from_coming_back_at_once_but_not_past_the_months() -> None:
    """It lifts what reliability asks, and is named when it does; never beyond the months' cap."""
    low, out = _row("low"), _row("out")
    lifted = _dues(replace(POLICY, floor_days=200))
    assert lifted[out].bound_by is Bound.FLOOR
    assert lifted[out].due_day == LAST[out] + 200
    assert lifted[out].reliability_day == LAST[out]
    assert lifted[low].due_day == max(_dues()[low].due_day, LAST[low] + 200)
    capped = _dues(replace(POLICY, cap_months=1, floor_days=200))
    assert all(due.due_day <= due.months_day for due in capped)


def test_waiting_says_the_chance_of_passing_then() -> None:
    """0, 30, 60 and 90 days after the day of the question, never before the last check."""
    for as_of in (20_400.0, 19_000.0):
        dues = _dues(as_of=as_of)
        for days in (0, 30, 60, 90):
            view = outlook(FAMILY, np.maximum(LAST, as_of + days))
            expected = pass_probability(view, PLAN, MPD)
            for due, p in zip(dues, expected, strict=True):
                wait = next(w for w in due.waits if w.days == days)
                assert wait.pass_probability == pytest.approx(p, rel=1e-12)
    for due, p in zip(
        _dues(), pass_probability(outlook(FAMILY, [d.due_day for d in _dues()]), PLAN, MPD),
        strict=True,
    ):  # fmt: skip
        assert due.pass_probability_at_due == pytest.approx(p, rel=1e-12)


def test_at_a_due_date_set_by_reliability_the_chance_is_the_target() -> None:
    """What the date promises."""
    bound = [due for due in _dues() if due.bound_by is Bound.RELIABILITY and due.due_day > 20_250]
    assert bound
    for due in bound:
        assert due.pass_probability_at_due == pytest.approx(TARGET, abs=0.003)


def test_the_interval_holds_the_laws_between_its_ends() -> None:
    """Ordered, within the last check and the cap, and around the reliability date."""
    for due in _dues():
        low, high = due.reliability_day_interval
        assert due.last_check_day <= low <= high <= due.months_day
        if due.reliability_day is not None:
            assert low - 15 <= due.reliability_day <= high + 15


def test_one_wrench_alone_gets_the_date_it_gets_in_the_fleet() -> None:
    """A question about one wrench is the fleet's answer for it."""
    together = _dues()
    for i in range(SIZE):
        use = _uses(NO_PACE)[i]
        one = FAMILY.of_rows([i])
        seen = outlooks(one, PLAN, MPD[[i]], POLICY, 20_400.0)
        (alone,) = due_dates(one, PLAN, MPD[[i]], POLICY, [use], seen)
        assert alone.due_day == pytest.approx(together[i].due_day, abs=1e-9)
        assert alone.bound_by is together[i].bound_by
        chances = [w.pass_probability for w in together[i].waits]
        assert [w.pass_probability for w in alone.waits] == pytest.approx(chances)


def test_a_stricter_target_is_never_due_later() -> None:
    """Monotone in the reliability asked for."""
    dates = [
        [due.due_day for due in _dues(replace(POLICY, reliability_target=target))]
        for target in (0.8, 0.9, 0.95, 0.99)
    ]
    for looser, stricter in pairwise(dates):
        assert (np.array(stricter) <= np.array(looser) + 1e-9).all()


def test_nobody_to_date_is_an_empty_answer() -> None:
    """A family without members."""
    empty = FAMILY.of_rows([])
    nobody = np.empty((0, 3))
    seen = outlooks(empty, PLAN, nobody, POLICY, 20_400.0)
    assert due_dates(empty, PLAN, nobody, POLICY, [], seen) == ()


def _day(iso: str) -> float:
    return float((date.fromisoformat(iso) - date(1970, 1, 1)).days)


@pytest.mark.parametrize(
    ("start", "months", "end"),
    [
        ("2026-01-15", 12, "2027-01-15"),
        ("2026-01-31", 1, "2026-02-28"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2023-11-30", 3, "2024-02-29"),
        ("2026-12-31", 1, "2027-01-31"),
        ("2026-05-04", 0, "2026-05-04"),
        ("1970-01-01", 11, "1970-12-01"),
    ],
)
def test_months_are_added_on_the_calendar(start: str, months: int, end: str) -> None:
    """The same day of the month, or the month's last; the hour of the check is dropped."""
    assert add_months(_day(start), months) == _day(end)
    assert add_months(_day(start) + 0.75, months) == _day(end)


@given(day=st.integers(0, 40_000), months=st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_added_months_land_in_the_right_month(day: int, months: int) -> None:
    """Month and year count on; the day of the month is the same or that month's last."""
    start = date(1970, 1, 1) + timedelta(days=day)
    end = date(1970, 1, 1) + timedelta(days=int(add_months(float(day), months)))
    assert (end.year * 12 + end.month) - (start.year * 12 + start.month) == months
    assert end.day == min(start.day, calendar.monthrange(end.year, end.month)[1])
