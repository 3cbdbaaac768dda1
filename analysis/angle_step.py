"""A step "torque, then angle": the chance that its seating torque, its angle, or either is off.

What joins the two is not known: one check measures a wrench's torque and another its angle. So the
chance that either is off is given for independent errors, and beside it the bounds that hold
whatever joins them: at least the larger of the two, at most their sum.

Source of the bounds: M. Fréchet, Fundamenta Mathematicae 25 (1935) 379-387 (from memory).
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StepRisk:
    """Chances for one step.

    torque_off             undershoot + overshoot
    undershoot, overshoot  the seating torque is below its lower limit; above its upper one
    angle_off              the angle is off by more than the MPD
    either_if_independent  torque or angle off, if one says nothing about the other
    either_at_least, either_at_most  whatever joins the two
    """

    torque_off: float
    undershoot: float
    overshoot: float
    angle_off: float
    either_if_independent: float
    either_at_least: float
    either_at_most: float


def step_risk(undershoot: float, overshoot: float, angle_off: float) -> StepRisk:
    """The chances of a step from those of its parts; the first two exclude each other."""
    torque_off = undershoot + overshoot
    return StepRisk(
        torque_off=torque_off,
        undershoot=undershoot,
        overshoot=overshoot,
        angle_off=angle_off,
        either_if_independent=torque_off + angle_off - torque_off * angle_off,
        either_at_least=max(torque_off, angle_off),
        either_at_most=min(1.0, torque_off + angle_off),
    )
