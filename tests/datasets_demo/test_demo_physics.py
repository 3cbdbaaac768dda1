"""The mechanism itself: what one constant does to the torque that a wrench delivers."""

import statistics
from dataclasses import replace

import pytest

from analysis.vocabulary import Direction, Mechanism
from datasets_demo.physics import (
    KINDS,
    Circumstances,
    State,
    Traits,
    adjust,
    age,
    deliver_nm,
    draw_traits,
)
from datasets_demo.visits import random_stream

FULL_SCALE_NM = 200.0
CALM = Circumstances(fixture_pct=0.0, seat_pct_fs=0.0, hand_pct=0.0, temperature_c=21.0)
TRUE = State(gain_pct=0.0, zero_pct_fs=0.0, ccw_gain_pct=0.0, ccw_zero_pct_fs=0.0)
UNWORN = Traits(
    gain_per_year_pct=0.0,
    zero_per_year_pct_fs=0.0,
    zero_per_1000_cycles_pct_fs=0.0,
    scatter_factor=1.0,
)


def pulls_nm(
    mechanism: Mechanism,
    indicated_nm: float,
    *,
    state: State = TRUE,
    circumstances: Circumstances = CALM,
    direction: Direction = Direction.CLOCKWISE,
    scatter: float = 1.0,
    count: int = 4000,
) -> list[float]:
    """Torques of many pulls, from a fixed seed."""
    rng = random_stream(20261120, 90)
    return [
        deliver_nm(
            KINDS[mechanism],
            replace(UNWORN, scatter_factor=scatter),
            state,
            circumstances,
            direction,
            indicated_nm=indicated_nm,
            full_scale_nm=FULL_SCALE_NM,
            rng=rng,
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("mechanism", list(Mechanism))
@pytest.mark.parametrize("share", [0.1, 0.2, 1.0])
def test_scatter_adds_a_constant_and_a_proportional_part(
    mechanism: Mechanism, share: float
) -> None:
    """SD² = (α·F)² + (ρ·T)²; its estimate from 4,000 pulls has a relative SD of about 1.1 %."""
    kind = KINDS[mechanism]
    expected_nm = (
        FULL_SCALE_NM
        / 100
        * (kind.friction_pct_fs**2 + (share * kind.proportional_pct) ** 2) ** 0.5
    )
    found_nm = statistics.stdev(pulls_nm(mechanism, share * FULL_SCALE_NM))
    assert found_nm == pytest.approx(expected_nm, rel=0.05)


def test_positive_gain_and_zero_deliver_less_than_indicated() -> None:
    """1 % of 100 N·m and 0.5 % of 200 N·m: 98 N·m."""
    state = replace(TRUE, gain_pct=1.0, zero_pct_fs=0.5)
    assert pulls_nm(Mechanism.SPRING, 100.0, state=state, scatter=0.0, count=1) == [
        pytest.approx(98.0)
    ]


def test_other_direction_has_errors_of_its_own_on_top() -> None:
    """2 % of 100 N·m less, counter-clockwise only."""
    state = replace(TRUE, ccw_gain_pct=2.0)
    for direction, expected_nm in (
        (Direction.CLOCKWISE, 100.0),
        (Direction.COUNTER_CLOCKWISE, 98.0),
    ):
        pulls = pulls_nm(
            Mechanism.DIAL, 100.0, state=state, direction=direction, scatter=0.0, count=1
        )
        assert pulls == [pytest.approx(expected_nm)]


def test_circumstances_shift_every_pull_of_a_check_alike() -> None:
    """Hand 1 %, seat 0.1 % of 200 N·m and 10 K of the electronics' 0.02 %/K on 100 N·m."""
    shared = Circumstances(fixture_pct=0.0, seat_pct_fs=0.1, hand_pct=1.0, temperature_c=31.0)
    pulls = pulls_nm(Mechanism.ELECTRONIC, 100.0, circumstances=shared, scatter=0.0, count=3)
    assert pulls == [pytest.approx(100.0 - 1.0 - 0.2 - 0.2)] * 3


def test_wear_grows_with_time_and_with_use() -> None:
    """The mean of 0.2 a year and 0.1 per 1,000 cycles after 2 years and 5,000 cycles is 0.9."""
    traits = replace(UNWORN, zero_per_year_pct_fs=0.2, zero_per_1000_cycles_pct_fs=0.1)
    rng = random_stream(20261120, 91)
    zeros = [
        age(KINDS[Mechanism.SPRING], traits, TRUE, 2 * 365.25, 5000, rng).zero_pct_fs
        for _ in range(2000)
    ]
    assert statistics.fmean(zeros) == pytest.approx(0.9, abs=0.01)
    # Brownian: 0.04 after one year, times √2
    assert statistics.stdev(zeros) == pytest.approx(0.04 * 2**0.5, rel=0.06)


def test_springs_relax_towards_delivering_less_and_electronics_do_not_move_their_zero() -> None:
    """The claim that the range study is tried on: zero drifts in springs, gain in electronics."""
    rng = random_stream(20261120, 92)
    springs = [draw_traits(KINDS[Mechanism.SPRING], rng) for _ in range(500)]
    electronics = [draw_traits(KINDS[Mechanism.ELECTRONIC], rng) for _ in range(500)]
    zero_of_springs = statistics.fmean(t.zero_per_1000_cycles_pct_fs for t in springs)
    assert zero_of_springs == pytest.approx(0.07, abs=0.006)  # 4 standard errors of the mean
    assert all(t.zero_per_1000_cycles_pct_fs == 0 for t in electronics)
    assert statistics.stdev(t.gain_per_year_pct for t in electronics) > 2 * statistics.stdev(
        t.gain_per_year_pct for t in springs
    )


@pytest.mark.parametrize("mechanism", list(Mechanism))
def test_adjustment_brings_a_wrench_back_by_the_tester_it_meets(mechanism: Mechanism) -> None:
    """By the biased tester, the mean error at 40 % of full scale is gone where it can be."""
    rng = random_stream(20261120, 93)
    worn = replace(TRUE, gain_pct=1.5, zero_pct_fs=0.8)
    bias_pct = 0.3
    errors = []
    for _ in range(1000):
        state = adjust(mechanism, worn, bias_pct, rng)
        errors.append(state.gain_pct - bias_pct + state.zero_pct_fs / 0.4)
    # a beam keeps the gain of its steel: 1.5 less the tester's 0.3
    expected_pct = 1.2 if mechanism is Mechanism.BEAM else 0.0
    assert statistics.fmean(errors) == pytest.approx(expected_pct, abs=0.05)


def test_streams_of_random_numbers_are_apart_and_repeatable() -> None:
    """One more wrench in the fleet must not change the readings of the others."""
    first, again, other = random_stream(7, 2, 1), random_stream(7, 2, 1), random_stream(7, 2, 2)
    numbers = first.standard_normal(5).tolist()
    assert numbers == again.standard_normal(5).tolist()
    assert numbers != other.standard_normal(5).tolist()
