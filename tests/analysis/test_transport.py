"""Rows on columns at several costs in turn, against a kept solver of assignments."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from analysis.transport import Whole, placed_in_turn


def _totals(costs: list[Whole], at: np.ndarray) -> list[int]:
    return [int(cost[np.arange(len(at)), at].sum()) for cost in costs]


def _assigned(costs: list[Whole], places: Whole) -> np.ndarray:
    """The same choice as an assignment to single places, the costs weighed into one.

    Weights are larger than any difference of the sums after them; the largest sum stays below 2^53,
    where floats hold every whole number.
    """
    weighed = np.zeros(costs[0].shape)
    for cost in costs:
        weighed = weighed * (2 * len(cost) * np.abs(cost).max() + 1) + cost
    assert len(weighed) * np.abs(weighed).max() < 2.0**53
    column = np.repeat(np.arange(len(places)), places)
    return column[linear_sum_assignment(weighed[:, column])[1]]


def _problem(seed: int, most_rows: int, most_columns: int) -> tuple[list[Whole], Whole]:
    """Some costs with many ties, some with none, some that grow from column to column."""
    random = np.random.default_rng(seed)
    rows = int(random.integers(1, most_rows + 1))
    columns = int(random.integers(1, most_columns + 1))
    kinds = [
        lambda: random.integers(0, 2, (rows, columns)),
        lambda: random.integers(-4, 5, (rows, columns)),
        lambda: random.integers(0, 1000, (rows, columns)),
        lambda: random.integers(0, 30, (rows, columns)).cumsum(axis=1),
        lambda: np.maximum(np.arange(columns) - random.integers(0, columns, (rows, 1)), 0),
    ]
    costs = [kinds[int(k)]() for k in random.integers(0, len(kinds), random.integers(1, 4))]
    wanted = random.multinomial(rows, random.dirichlet(np.ones(columns)))
    spare = random.integers(0, 2) * random.integers(0, 3, columns)
    return [cost.astype(np.int64) for cost in costs], (wanted + spare).astype(np.int64)


@given(seed=st.integers(0, 1_000_000))
@settings(max_examples=150, deadline=None)
def test_no_assignment_costs_less(seed: int) -> None:
    costs, places = _problem(seed, 14, 6)
    at = placed_in_turn(costs, places)
    assert (np.bincount(at, minlength=len(places)) <= places).all()
    assert _totals(costs, at) == _totals(costs, _assigned(costs, places))


@pytest.mark.parametrize("seed", range(6))
def test_many_rows_on_few_columns_are_placed_as_well(seed: int) -> None:
    """So many that the search begins near the answer, and that several rows move at once."""
    random = np.random.default_rng(seed)
    rows, columns = 120, 9
    costs = [
        np.maximum(np.arange(columns) - random.integers(-3, columns, (rows, 1)), 0),
        (1e6 * random.random((rows, columns)).cumsum(axis=1)).astype(np.int64),
    ]
    places = np.full(columns, -(-rows // columns) + seed % 2)
    at = placed_in_turn(costs, places)
    assert (np.bincount(at, minlength=columns) <= places).all()
    assert _totals(costs, at) == _totals(costs, _assigned(costs, places))


def test_what_does_not_differ_leaves_the_choice_to_the_next_cost() -> None:
    nothing, last = np.zeros((2, 2), dtype=np.int64), np.array([[5, 5], [3, 4]])
    assert placed_in_turn([nothing, last], np.array([1, 1])).tolist() == [1, 0]


def test_nothing_to_place_is_an_answer() -> None:
    assert placed_in_turn([np.zeros((0, 2), dtype=np.int64)], np.array([1, 0])).size == 0


def test_what_cannot_be_placed_or_summed_is_refused() -> None:
    with pytest.raises(ValueError, match="3 rows have 2 places"):
        placed_in_turn([np.zeros((3, 2), dtype=np.int64)], np.array([1, 1]))
    with pytest.raises(ValueError, match="too large"):
        placed_in_turn([np.array([[0, 1 << 60]])], np.array([1, 1]))
    with pytest.raises(ValueError, match="no cost"):
        placed_in_turn([], np.array([1]))
