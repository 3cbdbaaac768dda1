"""How an invented wrench of each kind delivers torque, wears and is adjusted.

Written in N·m from the parts of a wrench (spring, bridge, beam, gears), on its own: it shares no
code with the statistics that are tried on the data it makes. Every number is invented.

One pull at an indicated torque T on a wrench with full scale F delivers

    T·(1 - (gain + fixture + hand + heat)/100) - F·(zero + seat)/100 + noise

gain and zero are the state of the wrench; fixture, seat and heat belong to a visit, hand to one
check. Positive gain and zero: the wrench delivers less than it says.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from numpy.random import Generator

from analysis.vocabulary import Direction, Mechanism

REFERENCE_TEMPERATURE_C: Final = 21.0
DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True)
class Spread:
    """A mean and a standard deviation over wrenches of one kind."""

    mean: float
    sd: float

    def draw(self, rng: Generator) -> float:
        return self.mean + self.sd * rng.standard_normal()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """The invented constants of one kind of wrench; `pct` of reading, `pct_fs` of full scale."""

    # one pull
    friction_pct_fs: float  # constant in torque: standard deviation
    friction_is_rectangular: bool  # stick and slip, or a scale read to its marks
    proportional_pct: float  # standard deviation
    # one wrench, new
    new_gain_pct: float  # standard deviation
    new_zero_pct_fs: float
    ccw_gain_pct: float  # what the other direction has of its own
    ccw_zero_pct_fs: float
    ccw_scatter_factor: float
    # wear
    gain_per_year_pct: Spread
    zero_per_year_pct_fs: Spread
    zero_per_1000_cycles_pct_fs: Spread
    gain_wander_pct: float  # standard deviation of a Brownian motion after one year
    zero_wander_pct_fs: float
    # circumstances
    hand_pct: float  # standard deviation between checks
    fixture_pct: float  # standard deviation between visits
    seat_pct_fs: float
    heat_pct_per_k: float
    # adjustment
    adjusted_gain_pct: float  # standard deviation of what is left
    adjusted_zero_pct_fs: float


KINDS: Final[Mapping[Mechanism, Kind]] = {
    # The trip slips on a greased seat: its friction is the same few tenths of a newton metre at
    # every setting. The spring relaxes with time and with use: a loss of force, so of torque, that
    # does not grow with the setting.
    Mechanism.SPRING: Kind(
        friction_pct_fs=0.16,
        friction_is_rectangular=False,
        proportional_pct=0.30,
        new_gain_pct=0.45,
        new_zero_pct_fs=0.10,
        ccw_gain_pct=0.30,
        ccw_zero_pct_fs=0.12,
        ccw_scatter_factor=1.25,
        gain_per_year_pct=Spread(0.0, 0.15),
        zero_per_year_pct_fs=Spread(0.03, 0.03),
        zero_per_1000_cycles_pct_fs=Spread(0.07, 0.03),
        gain_wander_pct=0.15,
        zero_wander_pct_fs=0.04,
        hand_pct=0.25,
        fixture_pct=0.10,
        seat_pct_fs=0.04,
        heat_pct_per_k=0.02,
        adjusted_gain_pct=0.0,  # the screw moves the seat of the spring, not its stiffness
        adjusted_zero_pct_fs=0.08,
    ),
    # The bridge and its amplifier are proportional in everything; tared before each pull, so next
    # to no zero.
    Mechanism.ELECTRONIC: Kind(
        friction_pct_fs=0.02,
        friction_is_rectangular=False,
        proportional_pct=0.22,
        new_gain_pct=0.25,
        new_zero_pct_fs=0.02,
        ccw_gain_pct=0.30,
        ccw_zero_pct_fs=0.01,
        ccw_scatter_factor=1.10,
        gain_per_year_pct=Spread(0.12, 0.35),
        zero_per_year_pct_fs=Spread(0.0, 0.01),
        zero_per_1000_cycles_pct_fs=Spread(0.0, 0.0),
        gain_wander_pct=0.22,
        zero_wander_pct_fs=0.01,
        hand_pct=0.15,
        fixture_pct=0.10,
        seat_pct_fs=0.01,
        heat_pct_per_k=0.02,
        adjusted_gain_pct=0.20,
        adjusted_zero_pct_fs=0.02,
    ),
    # Steel bends as it always did; the eye does not look at the scale from the same place twice
    # (parallax grows with the deflection), and reads it to a part of a division.
    Mechanism.BEAM: Kind(
        friction_pct_fs=0.15,
        friction_is_rectangular=True,
        proportional_pct=0.50,
        new_gain_pct=0.40,
        new_zero_pct_fs=0.08,
        ccw_gain_pct=0.15,
        ccw_zero_pct_fs=0.10,
        ccw_scatter_factor=1.0,
        gain_per_year_pct=Spread(0.0, 0.04),
        zero_per_year_pct_fs=Spread(0.0, 0.03),
        zero_per_1000_cycles_pct_fs=Spread(0.0, 0.005),
        gain_wander_pct=0.05,
        zero_wander_pct_fs=0.03,
        hand_pct=0.30,
        fixture_pct=0.10,
        seat_pct_fs=0.03,
        heat_pct_per_k=0.01,
        adjusted_gain_pct=0.0,  # the pointer can be bent back, the beam stays as it is
        adjusted_zero_pct_fs=0.08,
    ),
    # Gears between beam and pointer: friction holds the pointer anywhere inside its hysteresis,
    # and their wear turns into gain.
    Mechanism.DIAL: Kind(
        friction_pct_fs=0.12,
        friction_is_rectangular=True,
        proportional_pct=0.32,
        new_gain_pct=0.30,
        new_zero_pct_fs=0.06,
        ccw_gain_pct=0.30,
        ccw_zero_pct_fs=0.08,
        ccw_scatter_factor=1.15,
        gain_per_year_pct=Spread(0.15, 0.20),
        zero_per_year_pct_fs=Spread(0.02, 0.04),
        zero_per_1000_cycles_pct_fs=Spread(0.01, 0.01),
        gain_wander_pct=0.15,
        zero_wander_pct_fs=0.04,
        hand_pct=0.25,
        fixture_pct=0.10,
        seat_pct_fs=0.03,
        heat_pct_per_k=0.02,
        adjusted_gain_pct=0.30,
        adjusted_zero_pct_fs=0.06,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """What one wrench has for life: its rates of wear and its own share of the kind's scatter."""

    gain_per_year_pct: float
    zero_per_year_pct_fs: float
    zero_per_1000_cycles_pct_fs: float
    scatter_factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Where one wrench stands on a day; the counter-clockwise parts come on top."""

    gain_pct: float
    zero_pct_fs: float
    ccw_gain_pct: float
    ccw_zero_pct_fs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What all readings of one check share."""

    fixture_pct: float
    seat_pct_fs: float
    hand_pct: float
    temperature_c: float


def draw_traits(kind: Kind, rng: Generator) -> Traits:
    """The traits of one wrench; its scatter is 75 to 125 % of the kind's."""
    return Traits(
        gain_per_year_pct=kind.gain_per_year_pct.draw(rng),
        zero_per_year_pct_fs=kind.zero_per_year_pct_fs.draw(rng),
        zero_per_1000_cycles_pct_fs=kind.zero_per_1000_cycles_pct_fs.draw(rng),
        scatter_factor=0.75 + 0.5 * rng.random(),
    )


def draw_new_state(kind: Kind, rng: Generator) -> State:
    """The state of a wrench as it leaves its maker."""
    return State(
        gain_pct=kind.new_gain_pct * rng.standard_normal(),
        zero_pct_fs=kind.new_zero_pct_fs * rng.standard_normal(),
        ccw_gain_pct=kind.ccw_gain_pct * rng.standard_normal(),
        ccw_zero_pct_fs=kind.ccw_zero_pct_fs * rng.standard_normal(),
    )


def draw_visit(kind: Kind, temperature_c: float, rng: Generator) -> Circumstances:
    """Fixture, seat and temperature of one visit; the hand is drawn anew for each check."""
    return Circumstances(
        fixture_pct=kind.fixture_pct * rng.standard_normal(),
        seat_pct_fs=kind.seat_pct_fs * rng.standard_normal(),
        hand_pct=0.0,
        temperature_c=temperature_c,
    )


def draw_hand(kind: Kind, visit: Circumstances, rng: Generator) -> Circumstances:
    """The same visit with the hand and eye of one check."""
    return replace(visit, hand_pct=kind.hand_pct * rng.standard_normal())


def age(
    kind: Kind, traits: Traits, state: State, days: float, cycles: float, rng: Generator
) -> State:
    """The state after so many days and cycles: wear at its own rates, and a Brownian wander."""
    years = days / DAYS_PER_YEAR
    return replace(
        state,
        gain_pct=state.gain_pct
        + traits.gain_per_year_pct * years
        + kind.gain_wander_pct * math.sqrt(years) * rng.standard_normal(),
        zero_pct_fs=state.zero_pct_fs
        + traits.zero_per_year_pct_fs * years
        + traits.zero_per_1000_cycles_pct_fs * cycles / 1000
        + kind.zero_wander_pct_fs * math.sqrt(years) * rng.standard_normal(),
    )


def adjust(mechanism: Mechanism, state: State, tester_bias_pct: float, rng: Generator) -> State:
    """The state after the workshop adjusted the wrench against a tester with a bias.

    The tester reads `tester_bias_pct` too high, so a wrench set right by it keeps that as gain.
    """
    kind = KINDS[mechanism]
    zero_left = kind.adjusted_zero_pct_fs * rng.standard_normal()
    gain_left = kind.adjusted_gain_pct * rng.standard_normal()
    ccw_left = kind.adjusted_gain_pct * rng.standard_normal()
    match mechanism:
        case Mechanism.SPRING:
            # one screw: set right at 40 % of full scale, what the stiffness does stays
            wrong_pct = state.gain_pct - tester_bias_pct
            return replace(state, zero_pct_fs=-0.4 * wrong_pct + zero_left)
        case Mechanism.BEAM:
            return replace(state, zero_pct_fs=zero_left)
        case Mechanism.DIAL:
            return replace(state, gain_pct=tester_bias_pct + gain_left, zero_pct_fs=zero_left)
        case Mechanism.ELECTRONIC:  # each direction has a factor of its own
            return replace(
                state,
                gain_pct=tester_bias_pct + gain_left,
                zero_pct_fs=zero_left,
                ccw_gain_pct=ccw_left,
            )


def deliver_nm(
    kind: Kind,
    traits: Traits,
    state: State,
    circumstances: Circumstances,
    direction: Direction,
    *,
    indicated_nm: float,
    full_scale_nm: float,
    rng: Generator,
) -> float:
    """The torque of one pull, N·m."""
    gain_pct = (
        state.gain_pct
        + circumstances.fixture_pct
        + circumstances.hand_pct
        + kind.heat_pct_per_k * (circumstances.temperature_c - REFERENCE_TEMPERATURE_C)
    )
    zero_pct_fs = state.zero_pct_fs + circumstances.seat_pct_fs
    scatter_factor = traits.scatter_factor
    if direction is Direction.COUNTER_CLOCKWISE:
        gain_pct += state.ccw_gain_pct
        zero_pct_fs += state.ccw_zero_pct_fs
        scatter_factor *= kind.ccw_scatter_factor
    if kind.friction_is_rectangular:
        friction = math.sqrt(12) * (rng.random() - 0.5)
    else:
        friction = rng.standard_normal()
    noise_nm = scatter_factor * (
        full_scale_nm * kind.friction_pct_fs / 100 * friction
        + indicated_nm * kind.proportional_pct / 100 * rng.standard_normal()
    )
    return indicated_nm * (1 - gain_pct / 100) - full_scale_nm * zero_pct_fs / 100 + noise_nm
