"""The fewest wrenches for a list of jobs, against all sets of wrenches of small shops."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.coverage import Cover, fewest_cover


@given(seed=st.integers(0, 10_000))
@settings(max_examples=120, deadline=None)
def test_no_set_is_smaller_and_none_as_small_costs_less(seed: int) -> None:
    """Each job falls to the cheapest wrench of the set, by the first cost, then the second."""
    random = np.random.default_rng(seed)
    jobs, wrenches = int(random.integers(0, 8)), int(random.integers(0, 8))
    allowed = random.random((jobs, wrenches)) < random.uniform(0.1, 0.7)
    caution = random.integers(0, 2, (jobs, wrenches)).astype(float)
    risk = random.random((jobs, wrenches)) ** 3 * 0.02
    coverable = [j for j in range(jobs) if allowed[j].any()]

    def worth(taken: tuple[int, ...]) -> tuple[int, float, float]:
        each = [min((caution[j, w], risk[j, w]) for w in taken if allowed[j, w]) for j in coverable]
        return len(taken), sum(c for c, _ in each), sum(r for _, r in each)

    best = min(
        worth(taken)
        for size in range(wrenches + 1)
        for taken in combinations(range(wrenches), size)
        if all(allowed[j, list(taken)].any() for j in coverable)
    )
    found = fewest_cover(allowed, [caution, risk])
    assert worth(found.wrenches) == pytest.approx(best, abs=1e-9)
    for j, by in enumerate(found.by_job):
        assert (by is None) == (j not in coverable)
        if by is not None:
            assert by in found.wrenches
            assert allowed[j, by]
    costs = [(caution[j, by], risk[j, by]) for j, by in enumerate(found.by_job) if by is not None]
    assert sum(c for c, _ in costs) == pytest.approx(best[1])
    assert sum(r for _, r in costs) == pytest.approx(best[2])


def test_taking_the_most_useful_wrench_first_would_take_too_many() -> None:
    """The usual trap: one wrench does four jobs, but two others do three each and all six."""
    allowed = np.array(
        [[1, 1, 0], [1, 1, 0], [0, 1, 0], [1, 0, 1], [1, 0, 1], [0, 0, 1]], dtype=bool
    )
    found = fewest_cover(allowed, [np.zeros(allowed.shape)])
    assert found == Cover(wrenches=(1, 2), by_job=(1, 1, 1, 2, 2, 2))


def test_the_order_of_the_jobs_does_not_matter() -> None:
    random = np.random.default_rng(5)
    allowed = random.random((12, 9)) < 0.35
    risk = random.random((12, 9))
    order = random.permutation(12)
    found, other = fewest_cover(allowed, [risk]), fewest_cover(allowed[order], [risk[order]])
    assert found.wrenches == other.wrenches
    assert [found.by_job[i] for i in order] == list(other.by_job)
