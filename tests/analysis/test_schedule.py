"""The bench's plan against brute force over all plans of small cases."""

from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.schedule import Plan, Visit, Waiting, plan_visits

MONDAY = date(2026, 11, 30)


def _day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def _waiting(*items: tuple[int, float]) -> list[Waiting]:
    """Items of (due in days from the first day, failure probability)."""
    return [Waiting(f"W-{i}", _day(due), probability) for i, (due, probability) in enumerate(items)]


def _plan(
    waiting: Sequence[Waiting], days: int, capacity: int = 1, closed: tuple[int, ...] = ()
) -> Plan:
    return plan_visits(waiting, MONDAY, _day(days - 1), capacity, closed)


def _on(plan: Plan) -> dict[str, date]:
    return {visit.wrench: visit.day for visit in plan.visits}


CASES = st.lists(
    st.tuples(st.integers(-2, 5), st.sampled_from([0.01, 0.05, 0.1, 0.3, 0.6])),
    min_size=0,
    max_size=8,
)


@given(items=CASES, capacity=st.integers(1, 2), days=st.integers(1, 6), closed=st.booleans())
@settings(max_examples=150, deadline=None)
def test_no_plan_brings_more_risk_in_time(
    items: list[tuple[int, float]], capacity: int, days: int, closed: bool
) -> None:
    """All sets of wrenches that fit in time are tried: none is larger or holds more risk.

    A set fits when up to each day no more of it are due than there are free places (Hall).
    Wrenches past due hold the first places, riskiest soonest.
    """
    shut = (1, 2) if closed else ()
    waiting = _waiting(*items)
    slots = [_day(i) for i in range(days) if _day(i).weekday() not in shut for _ in range(capacity)]
    overdue = [item for item in waiting if item.due < MONDAY]
    ahead = [item for item in waiting if item.due >= MONDAY]
    free = slots[len(overdue) :]

    def fits(some: Sequence[Waiting]) -> bool:
        return all(
            sum(i.due <= item.due for i in some) <= sum(slot <= item.due for slot in free)
            for item in some
        )

    def worth(some: Sequence[Waiting] | Sequence[Visit]) -> tuple[int, float]:
        return len(some), round(sum(i.failure_probability for i in some), 9)

    sets = [some for k in range(len(ahead) + 1) for some in combinations(ahead, k) if fits(some)]
    plan = _plan(waiting, days, capacity, shut)
    timely = [v for v in plan.visits if not v.late and v.due >= MONDAY]
    assert worth(timely) == max(worth(some) for some in sets)
    riskiest = sorted(overdue, key=lambda i: (-i.failure_probability, i.due, i.wrench))
    on = _on(plan)
    for item, slot in zip(riskiest, slots, strict=False):
        assert on[item.wrench] == slot


@given(items=CASES, capacity=st.integers(1, 2), days=st.integers(1, 6), closed=st.booleans())
@settings(max_examples=60, deadline=None)
def test_a_plan_keeps_the_bench_s_rules(
    items: list[tuple[int, float]], capacity: int, days: int, closed: bool
) -> None:
    """Open days only, never too many a day, everybody once, late where late, idle only if full."""
    shut = (1, 2) if closed else ()
    waiting = _waiting(*items)
    plan = _plan(waiting, days, capacity, shut)
    load = Counter(visit.day for visit in plan.visits)
    assert all(count <= capacity for count in load.values())
    assert all(d.weekday() not in shut and MONDAY <= d <= _day(days - 1) for d in load)
    names = [visit.wrench for visit in plan.visits] + list(plan.without_room)
    assert sorted(names) == sorted(item.wrench for item in waiting)
    assert all(visit.late == (visit.day > visit.due) for visit in plan.visits)
    open_days = [_day(i) for i in range(days) if _day(i).weekday() not in shut]
    if plan.without_room:
        assert all(load[day] == capacity for day in open_days)
    order = [(v.day, -v.failure_probability, v.wrench) for v in plan.visits]
    assert order == sorted(order)
    shuffled = _plan(list(reversed(waiting)), days, capacity, shut)
    assert shuffled == plan


def test_the_riskier_wrench_is_in_time_when_not_all_can_be() -> None:
    """Three wrenches, two days before their dates: the one least likely to fail comes late."""
    plan = _plan(_waiting((0, 0.5), (1, 0.01), (1, 0.02)), days=3)
    on = _on(plan)
    assert on == {"W-0": _day(0), "W-2": _day(1), "W-1": _day(2)}
    assert [visit.wrench for visit in plan.visits if visit.late] == ["W-1"]


def test_nobody_comes_earlier_than_the_bench_needs() -> None:
    """With room for all, each on its due date; of two due together the riskier comes on the eve."""
    plan = _plan(_waiting((4, 0.1), (2, 0.2), (4, 0.3)), days=5)
    assert _on(plan) == {"W-0": _day(4), "W-1": _day(2), "W-2": _day(3)}


def test_a_due_date_on_a_closed_day_brings_the_visit_forward() -> None:
    """Due on Sunday: Friday, when the bench is shut at the weekend."""
    assert _on(_plan(_waiting((6, 0.1)), days=10, closed=(5, 6))) == {"W-0": _day(4)}


def test_a_bench_that_never_opens_has_no_room() -> None:
    """Every wrench is named as left without a visit."""
    plan = _plan(_waiting((3, 0.1), (-1, 0.2)), days=5, closed=tuple(range(7)))
    assert plan == Plan(visits=(), without_room=("W-0", "W-1"))


def test_nobody_waiting_is_an_empty_plan() -> None:
    """Nothing to do is an answer."""
    assert _plan([], days=30) == Plan(visits=(), without_room=())


def test_impossible_questions_are_refused() -> None:
    """No capacity, or the same wrench twice."""
    with pytest.raises(ValueError, match="at least one check a day"):
        _plan(_waiting((1, 0.1)), days=3, capacity=0)
    with pytest.raises(ValueError, match="one visit at a time"):
        _plan([*_waiting((1, 0.1)), *_waiting((2, 0.1))], days=3)
