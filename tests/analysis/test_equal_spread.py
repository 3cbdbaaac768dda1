"""Tests of equal spread behave as their names say."""

import numpy as np
import pytest

from analysis.equal_spread import bartlett, brown_forsythe


@pytest.mark.parametrize("test", [brown_forsythe, bartlett])
def test_level_and_unit_of_a_group_do_not_matter(test):
    rng = np.random.default_rng(5)
    groups = [rng.normal(0, sd, 12) for sd in (1.0, 1.5, 3.0)]
    moved = [7.0 * (group + shift) for group, shift in zip(groups, (0, 50, -3), strict=True)]
    assert test(moved).p_value == pytest.approx(test(groups).p_value, rel=1e-6)


def test_a_spread_three_times_as_large_is_found():
    rng = np.random.default_rng(6)
    groups = [rng.normal(0, sd, 40) for sd in (1.0, 1.0, 3.0)]
    assert brown_forsythe(groups).p_value < 1e-4


@pytest.mark.parametrize(
    ("test", "low", "high"), [(brown_forsythe, 0.02, 0.08), (bartlett, 0.3, 1)]
)
def test_only_the_median_form_keeps_its_level_with_long_tails(test, low, high):
    """600 seeded sets of t(3) readings with equal spread, tested at 5 %: Bartlett cries wolf."""
    rng = np.random.default_rng(1974)
    rejected = np.mean(
        [test(list(rng.standard_t(3, size=(4, 20)))).p_value < 0.05 for _ in range(600)]
    )
    assert low <= rejected <= high
