"""Invented angle checks of those electronic wrenches that show angles, with a seed of their own.

A gyro adds up the turn from the seating torque on. What it shows is off by an offset (the moment it
begins to count) and by a gain (its scale); the way the wrench is held tilts a whole check. None of
this touches the torque readings: those come from another stream.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.random import Generator

from analysis.vocabulary import CheckKind, Direction
from datasets_demo.visits import Check

ANGLE_SEED: Final = 20261126

# Of the reference, an encoder on the bench's tester.
REFERENCE_STEP_DEG: Final = 0.1
EXPANDED_UNCERTAINTY_DEG: Final = 0.3
MINUTES_AFTER_TORQUE: Final = 40
TARGETS_DEG: Final = (90, 180)
REPEATS: Final = 5

# Standard deviations: offset and gain between wrenches, then what a check and a reading add.
OFFSET_DEG: Final = 0.3
GAIN_DEG_PER_100: Final = 0.3
HOLD_DEG: Final = 0.25
SCATTER_DEG: Final = 0.3
STOP_DEG: Final = 0.8  # how far past the target the hand stops, on the average and about it


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleFacts:
    """What one wrench states about its angles, and what is true of it.

    every_visit       an angle check at each visit; else at the last alone; None: never checked yet
    gain_deg_per_100  None: drawn
    """

    mpd_deg: float = 2.0
    mpd_pct: float | None = None
    resolution_deg: float = 0.1
    highest_deg: float = 720.0
    every_visit: bool | None = True
    gain_deg_per_100: float | None = None


ANGLES: Final = {
    "EL-203": AngleFacts(),
    "EL-204": AngleFacts(),
    # Its scale has run away: 180° is near the limit.
    "EL-205": AngleFacts(gain_deg_per_100=0.75),
    "EL-206": AngleFacts(every_visit=False, resolution_deg=1.0),
    "EL-208": AngleFacts(mpd_pct=2.0),
    "EL-209": AngleFacts(every_visit=None),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleCheck:
    """One angle check as it stands in the file: readings as (target, reference, indicated)."""

    serial: str
    performed_at: datetime
    tester: str
    operator: str
    readings: tuple[tuple[int, str, str], ...]


def make_angle_checks(checks: Sequence[Check]) -> list[AngleCheck]:
    """The angle checks that went with these checks of torque, oldest first."""
    made = [
        angle_check
        for place, (serial, facts) in enumerate(ANGLES.items())
        for angle_check in _of_wrench(
            serial, facts, checks, np.random.default_rng([ANGLE_SEED, place])
        )
    ]
    return sorted(made, key=lambda each: (each.performed_at, each.serial))


def _of_wrench(
    serial: str, facts: AngleFacts, checks: Sequence[Check], rng: Generator
) -> Iterator[AngleCheck]:
    visits = [
        check
        for check in checks
        if check.wrench.serial == serial
        and check.kind is CheckKind.AS_FOUND
        and check.direction is Direction.CLOCKWISE
    ]
    if facts.every_visit is None:
        return
    offset = rng.normal(0, OFFSET_DEG)
    gain = rng.normal(0, GAIN_DEG_PER_100)
    if facts.gain_deg_per_100 is not None:
        gain = facts.gain_deg_per_100
    for visit in visits if facts.every_visit else visits[-1:]:
        hold = rng.normal(0, HOLD_DEG)
        yield AngleCheck(
            serial=serial,
            performed_at=visit.performed_at + timedelta(minutes=MINUTES_AFTER_TORQUE),
            tester=visit.tester,
            operator=visit.operator,
            readings=tuple(
                _reading(target, offset + gain * target / 100 + hold, facts, rng)
                for target in TARGETS_DEG
                for _ in range(REPEATS)
            ),
        )


def _reading(
    target: int, deviation: float, facts: AngleFacts, rng: Generator
) -> tuple[int, str, str]:
    """The hand stops a little past the target by the display; the encoder saw the true turn."""
    shown = target + rng.normal(STOP_DEG, STOP_DEG / 2)
    turned = shown - deviation - rng.normal(0, SCATTER_DEG)
    return target, _at_step(turned, REFERENCE_STEP_DEG), _at_step(shown, facts.resolution_deg)


def _at_step(angle: float, step: float) -> str:
    return f"{round(angle / step) * step:.1f}"
