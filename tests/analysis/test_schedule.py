"""The bench's plan against all plans of small cases."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.due import Bound, Due, Wait
from analysis.schedule import Plan, Waiting, failing_by_day, plan_visits
from analysis.use_since import Work, use_since

MONDAY = date(2026, 11, 30)
ACCEPTED = 0.05


def _day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def _waiting(*items: tuple[int, float], cap: int = 0, growth: float = 0.0) -> list[Waiting]:
    """Items of (due in days from the first day, chance of failing then, so much more each day)."""
    return [
        Waiting(
            f"W-{i}",
            _day(due),
            _day(due + cap),
            tuple(min(failing + growth * t, 1.0) for t in range(12)),
        )
        for i, (due, failing) in enumerate(items)
    ]


def _room(*free: int) -> dict[date, int]:
    return {_day(i): places for i, places in enumerate(free)}


def _plan(waiting: Sequence[Waiting], room: Mapping[date, int]) -> Plan:
    return plan_visits(waiting, MONDAY, room, ACCEPTED)


def _on(plan: Plan) -> dict[str, date]:
    return {visit.wrench: visit.day for visit in plan.visits}


def _cost(item: Waiting, offset: int) -> np.ndarray:
    """The five costs of the module, written out day by day."""
    due, cap = (item.due - MONDAY).days, (item.cap - MONDAY).days
    early = sum(max(ACCEPTED - item.failing[t], ACCEPTED / 10) for t in range(offset, due))
    late = sum(item.failing[t] for t in range(max(due, 0), offset))
    exposure = sum(item.failing[:offset])
    if due < 0:
        return np.array([offset, 0, 0, late, exposure])
    return np.array([0, max(offset - cap, 0), max(offset - due, 0), early + late, exposure])


def _all_plans(items: Sequence[Waiting], room: list[int]) -> Iterator[np.ndarray]:
    """The cost of every way to give each item a day with room."""
    if not items:
        yield np.zeros(5)
        return
    for offset, free in enumerate(room):
        if free:
            rest = [*room[:offset], free - 1, *room[offset + 1 :]]
            for cost in _all_plans(items[1:], rest):
                yield cost + _cost(items[0], offset)


@given(
    items=st.lists(
        st.tuples(st.integers(-2, 6), st.sampled_from([0.001, 0.01, 0.04, 0.1, 0.4])), max_size=5
    ),
    room=st.lists(st.integers(0, 2), min_size=3, max_size=6),
    cap=st.integers(0, 2),
    growth=st.sampled_from([0.0, 0.005]),
)
@settings(max_examples=120, deadline=None)
def test_no_plan_costs_less(
    items: list[tuple[int, float]], room: list[int], cap: int, growth: float
) -> None:
    """All plans are tried; a place after the last day stands for no room, for as many as must."""
    waiting = _waiting(*items, cap=cap, growth=growth)
    plan = _plan(waiting, _room(*room))
    last = max((i for i, free in enumerate(room) if free), default=None)
    if last is None:
        assert plan == Plan((), tuple(item.wrench for item in waiting))
        return
    room = [*room[: last + 1], max(len(waiting) - sum(room), 0)]
    best = min(tuple(np.round(cost, 9)) for cost in _all_plans(waiting, room))
    on = _on(plan) | dict.fromkeys(plan.without_room, _day(last + 1))
    found = sum((_cost(item, (on[item.wrench] - MONDAY).days) for item in waiting), np.zeros(5))
    assert tuple(found) == pytest.approx(best, abs=1e-8)


@given(
    items=st.lists(st.tuples(st.integers(-3, 40), st.floats(0.0, 0.9)), max_size=25),
    capacity=st.integers(1, 3),
)
@settings(max_examples=25, deadline=None)
def test_a_plan_keeps_the_bench_s_rules(items: list[tuple[int, float]], capacity: int) -> None:
    """Days with room only, never too many a day, everybody once, late where late."""
    waiting = _waiting(*items)
    room = {_day(i): capacity for i in range(30) if _day(i).weekday() < 5}
    plan = _plan(waiting, room)
    load = Counter(visit.day for visit in plan.visits)
    assert all(count <= room[day] for day, count in load.items())
    names = [visit.wrench for visit in plan.visits] + list(plan.without_room)
    assert sorted(names) == sorted(item.wrench for item in waiting)
    assert all(visit.late == (visit.day > visit.due) for visit in plan.visits)
    order = [(v.day, -v.failure_probability, v.wrench) for v in plan.visits]
    assert order == sorted(order)
    assert _plan(list(reversed(waiting)), room) == plan


def test_the_riskier_wrench_is_in_time_when_not_all_can_be() -> None:
    """Three wrenches, two days before their dates: the one least likely to fail comes late."""
    plan = _plan(_waiting((0, 0.5), (1, 0.01), (1, 0.02)), _room(1, 1, 1))
    assert _on(plan) == {"W-0": _day(0), "W-2": _day(1), "W-1": _day(2)}
    assert [visit.wrench for visit in plan.visits if visit.late] == ["W-1"]


def test_nobody_comes_earlier_than_the_bench_needs() -> None:
    """With room for all, each on its due date; of two due together the riskier comes on the eve."""
    plan = _plan(_waiting((4, 0.1), (2, 0.2), (4, 0.3)), _room(1, 1, 1, 1, 1))
    assert _on(plan) == {"W-0": _day(4), "W-1": _day(2), "W-2": _day(3)}
    plan = _plan(_waiting((4, 0.01), (4, 0.04)), _room(1, 1, 1, 1, 1))
    assert _on(plan) == {"W-0": _day(4), "W-1": _day(3)}


def test_the_overdue_hold_the_first_places_the_riskiest_soonest() -> None:
    """Even before one that is due today."""
    plan = _plan(_waiting((-9, 0.1), (-1, 0.4), (0, 0.01)), _room(1, 0, 1, 1))
    assert _on(plan) == {"W-1": _day(0), "W-0": _day(2), "W-2": _day(3)}
    assert [visit.expected_days_out for visit in plan.visits] == pytest.approx([0.0, 0.2, 0.03])


def test_the_policy_s_last_day_weighs_more_than_a_due_date() -> None:
    """One place: W-1 may be late by the forecast, W-0 may not by policy."""
    waiting = [*_waiting((1, 0.01)), *_waiting((1, 0.9), (1, 0.9), cap=5)[1:]]
    plan = _plan(waiting, _room(0, 1, 1))
    assert _on(plan) == {"W-0": _day(1), "W-1": _day(2)}
    assert [visit.days_past_cap for visit in plan.visits] == [0, 0]
    late = _plan(_waiting((0, 0.3)), _room(0, 0, 1))
    assert [(v.day, v.late, v.days_past_cap) for v in late.visits] == [(_day(2), True, 2)]


def test_a_due_date_on_a_closed_day_brings_the_visit_forward() -> None:
    """Due on Sunday: Friday, when the bench is shut at the weekend."""
    assert _on(_plan(_waiting((6, 0.01)), _room(1, 1, 1, 1, 1, 0, 0, 1))) == {"W-0": _day(4)}


def test_a_bench_that_never_opens_has_no_room() -> None:
    """Every wrench is named as left without a visit."""
    plan = _plan(_waiting((3, 0.1), (-1, 0.2)), {})
    assert plan == Plan(visits=(), without_room=("W-0", "W-1"))


def test_nobody_waiting_is_an_empty_plan() -> None:
    """Nothing to do is an answer."""
    assert _plan([], _room(1, 1)) == Plan(visits=(), without_room=())


def test_the_same_wrench_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="one visit at a time"):
        _plan([*_waiting((1, 0.1)), *_waiting((2, 0.1))], _room(1))


def _due(due_in: float, passing: Sequence[float], at_due: float) -> Due:
    return Due(
        due_day=20_000.0 + due_in,
        bound_by=Bound.RELIABILITY,
        last_check_day=19_900.0,
        reliability_day=None,
        reliability_day_interval=(20_000.0, 20_000.0),
        months_day=20_300.0,
        cycles_day=None,
        use=use_since(Work.unrecorded(19_900.0), None),
        waits=tuple(Wait(days, p) for days, p in zip((0, 30, 60, 90), passing, strict=True)),
        pass_probability_at_due=at_due,
    )


def test_the_chance_of_failing_goes_through_every_day_it_is_known_for() -> None:
    failing = failing_by_day(_due(45.0, (0.99, 0.97, 0.94, 0.9), 0.955), 20_000.0, 200)
    known = {0: 0.01, 30: 0.03, 45: 0.045, 60: 0.06, 90: 0.1}
    for day, chance in known.items():
        assert failing[day] == pytest.approx(chance, abs=1e-9)
    assert (np.diff(failing) > 0).all()
    assert 0.1 < failing[120] < failing[199] < 0.5


def test_a_due_date_long_past_is_no_day_to_come() -> None:
    failing = failing_by_day(_due(-45.0, (0.9, 0.9, 0.9, 0.9), 0.95), 20_000.0, 120)
    assert failing == pytest.approx(np.full(120, 0.1))
