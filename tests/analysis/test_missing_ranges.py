"""The fewest full scales that hold torques in their trusted part, against all small choices."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.missing_ranges import MissingRange, fewest_ranges


@given(
    torques=st.lists(st.integers(500, 900_000).map(lambda mnm: mnm / 1000), max_size=7),
    trusted_from=st.sampled_from([0.2, 0.5, 1.0]),
)
@settings(max_examples=150, deadline=None)
def test_no_fewer_full_scales_hold_all_torques(torques: list[float], trusted_from: float) -> None:
    """Any full scale that serves some torques may be lowered to the largest of them."""
    found = fewest_ranges(torques, trusted_from)

    def holds(full_scale: float, torque: float) -> bool:
        return trusted_from * full_scale <= torque * (1 + 1e-12) and torque <= full_scale

    fewest = next(
        size
        for size in range(len(torques) + 1)
        for some in combinations(torques, size)
        if all(any(holds(full_scale, torque) for full_scale in some) for torque in torques)
    )
    assert len(found) == fewest
    assert sorted(i for each in found for i in each.torques) == list(range(len(torques)))
    for each in found:
        for full_scale in (each.least_full_scale_nm, each.most_full_scale_nm):
            assert all(holds(full_scale, torques[i]) for i in each.torques)


def test_torques_a_factor_of_five_apart_share_one_wrench_and_no_more() -> None:
    found = fewest_ranges([30.0, 150.0, 6.0, 31.0], 0.2)
    assert found == (
        MissingRange(30.0, 30.0, (0, 2)),
        MissingRange(150.0, pytest.approx(155.0), (1, 3)),
    )
