"""Costs made least one after the other, against all choices of small programmes."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.lexicographic import Rows, least_in_turn


def _rows(matrix: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> Rows:
    row, column = np.nonzero(matrix)
    return Rows(row, column, matrix[row, column], lower, upper)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_no_choice_is_better_in_the_first_cost_that_differs(seed: int) -> None:
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 7))
    matrix = random.integers(-1, 3, size=(2, count)).astype(float)
    lower, upper = np.array([1.0, -np.inf]), np.array([np.inf, 2.0])
    costs = [random.integers(0, 3, count).astype(float), random.random(count) * 1e-3]
    kept = [
        np.array(choice, dtype=float)
        for choice in product((0, 1), repeat=count)
        if (matrix @ choice >= lower).all() and (matrix @ choice <= upper).all()
    ]
    if not kept:
        with pytest.raises(ValueError, match="no choice keeps the conditions"):
            least_in_turn(costs, _rows(matrix, lower, upper))
        return
    found = least_in_turn(costs, _rows(matrix, lower, upper))
    assert any((found == choice).all() for choice in kept)
    best = min((float(costs[0] @ choice), float(costs[1] @ choice)) for choice in kept)
    assert (costs[0] @ found, costs[1] @ found) == pytest.approx(best, abs=1e-9)


def test_a_cost_of_nothing_leaves_the_choice_to_the_next() -> None:
    one_of_two = _rows(np.ones((1, 2)), np.ones(1), np.ones(1))
    costs = [np.ones(2), np.zeros(2), np.array([1e-7, 2e-7])]
    assert least_in_turn(costs, one_of_two).tolist() == [1.0, 0.0]


def test_nothing_to_choose_is_an_answer() -> None:
    assert least_in_turn([np.zeros(0)], _rows(np.ones((0, 0)), np.ones(0), np.ones(0))).size == 0
