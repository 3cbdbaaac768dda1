"""A step of torque and angle: chances joined with and without an assumption."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.angle_step import step_risk

chances = st.floats(0, 1)


def test_independent_parts_are_off_together_by_the_product():
    step = step_risk(0.02, 0.01, 0.1)
    assert step.torque_off == pytest.approx(0.03)
    assert step.either_if_independent == pytest.approx(1 - 0.97 * 0.9)


@given(st.floats(0, 0.5), st.floats(0, 0.5), chances)
def test_the_bounds_hold_the_chance_of_independent_parts(undershoot, overshoot, angle):
    step = step_risk(undershoot, overshoot, angle)
    assert step.either_at_least <= step.either_if_independent + 1e-12
    assert step.either_if_independent <= step.either_at_most + 1e-12


@pytest.mark.parametrize("torque_off", [0.0, 0.1, 0.4])
@pytest.mark.parametrize("angle_off", [0.0, 0.05, 0.7])
def test_both_bounds_can_be_reached(torque_off, angle_off):
    """Events on a line of 1000 equal parts: nested, then side by side as far as there is room."""
    step = step_risk(torque_off, 0.0, angle_off)
    torque, angle = round(1000 * torque_off), round(1000 * angle_off)
    nested = len(set(range(torque)) | set(range(angle)))
    apart = len(set(range(torque)) | {999 - part for part in range(angle)})
    assert step.either_at_least == pytest.approx(nested / 1000)
    assert step.either_at_most == pytest.approx(apart / 1000)
