"""Capability of one wrench by band."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_wrench import check_rows, history, random_checks
from scipy.special import ndtr

from analysis.bands import Bands
from analysis.capability import capability, indices
from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Band, Direction

CW = Direction.CLOCKWISE


def answer(frame, band=Band.MID):
    return capability(frame, CW, Bands()).bands[band]


def test_within_indices_by_hand():
    """Readings 1 ± 0.2 %, MPD ±4 %: in shares 0.25 ± 0.05, s 0.05 √(4/3), Cp 1/(3 s)."""
    found = answer(history(check_rows("A", {60.0: [0.8, 1.2, 0.8, 1.2]})))
    sd = 0.05 * math.sqrt(4 / 3)
    assert found.mean == pytest.approx(0.25)
    assert found.within.sd == pytest.approx(sd)
    assert found.within.df == 3
    assert found.within.index == pytest.approx(1 / (3 * sd))
    assert found.within.nearer == pytest.approx(0.75 / (3 * sd))
    assert (found.mpd_low_pct, found.mpd_high_pct) == (4.0, 4.0)


def test_one_check_says_nothing_of_other_checks():
    found = answer(history(check_rows("A", {60.0: [0.8, 1.2, 0.8, 1.2]})))
    assert isinstance(found.overall, NotEnoughEvidence)
    assert "one check only" in found.overall.because


def test_two_checks_that_differ_much_are_refused_with_the_numbers():
    """Ten readings but one effective degree of freedom of the overall scatter."""
    frame = history(
        check_rows("A", {60.0: [0.9, 1.0, 1.1, 1.0, 1.0]}),
        check_rows("B", {60.0: [-1.1, -1.0, -0.9, -1.0, -1.0]}, day=90.0),
    )
    found = answer(frame)
    assert isinstance(found.overall, NotEnoughEvidence)
    assert "1.0 degrees of freedom" in found.overall.because
    assert not isinstance(found.within, NotEnoughEvidence)


def test_fifteen_readings_of_three_checks_are_not_fifteen_independent_ones():
    rng = np.random.default_rng(21)
    found = answer(history(*random_checks(rng, checks=3, targets=(60.0,), check_sd=0.6)))
    performance = found.overall.performance
    assert found.readings == 15
    assert performance.df < 4
    assert performance.effective_readings < 6
    assert performance.nearer_low < performance.nearer
    assert found.overall.tolerance.factor > 3.0  # 2.95 would do for 15 independent readings


def test_overall_is_never_better_than_within():
    rng = np.random.default_rng(22)
    for _ in range(20):
        found = answer(history(*random_checks(rng, checks=4, targets=(60.0,), check_sd=0.1)))
        # Equal where checks agree by chance; then only rounding tells them apart.
        assert found.overall.performance.sd >= found.within.sd * (1 - 1e-12)
        assert found.overall.performance.index <= found.within.index * (1 + 1e-12)
        assert found.overall.cpm <= found.overall.performance.index


def test_equal_readings_show_no_capability():
    """Infinite Cp would be a claim about the tester's display, not about the wrench."""
    frame = history(*[check_rows(c, {60.0: [1.0] * 5}, day=float(i)) for i, c in enumerate("ABC")])
    found = answer(frame)
    assert isinstance(found.within, NotEnoughEvidence)
    assert "resolves" in found.within.because
    assert isinstance(found.overall, NotEnoughEvidence)


def test_two_readings_are_too_few():
    found = answer(history(check_rows("A", {60.0: [0.8, 1.2]})))
    assert isinstance(found.within, NotEnoughEvidence)
    assert "1.0 degrees of freedom" in found.within.because


def test_before_the_last_adjustment_it_was_another_wrench():
    rng = np.random.default_rng(23)
    checks = random_checks(
        rng, checks=6, mean=3.5, kinds={3: "as_left"}, level_after={3: 0.0}, check_sd=0.1
    )
    found = answer(history(*checks))
    assert found.checks == 3
    assert abs(found.mean) < 0.2
    alone = answer(history(*checks[3:]))
    assert found == alone


def test_a_limit_of_full_scale_is_met_by_the_torque_error():
    """±1 N·m at any target: errors in N·m count alike, whatever their % of reading."""
    errors_nm = [-0.3, 0.1, 0.4, 0.2, -0.1]
    points = {
        target: [(target / (target - error) - 1) * 100 for error in errors_nm]
        for target in (10.0, 25.0)
    }
    frame = history(check_rows("A", points), mpd_cw_pct=1.0, mpd_cw_of_full_scale=True)
    found = answer(frame, Band.LOW)
    assert found.mean == pytest.approx(np.mean(errors_nm))
    assert found.within.sd == pytest.approx(np.std(errors_nm, ddof=1))
    assert found.mpd_low_pct < 4.1
    assert found.mpd_high_pct > 9.6


def test_no_stated_tolerance_no_capability():
    frame = history(check_rows("A", {60.0: [0.8, 1.2]}, direction="counter_clockwise"))
    with pytest.raises(OutsideRange, match="counter-clockwise"):
        capability(frame, Direction.COUNTER_CLOCKWISE, Bands())


def test_no_readings_in_a_band():
    found = capability(history(), CW, Bands()).bands
    assert all(isinstance(band, NotEnoughEvidence) for band in found.values())


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.sampled_from([1.3558179483314004, 0.01, 9.80665]))
def test_unit_of_torque_and_order_of_rows_do_not_matter(seed, factor):
    checks = random_checks(np.random.default_rng(seed), checks=5, targets=(60.0,))
    base = answer(history(*checks))
    torques = ("target_nm", "indicated_nm", "reference_nm")
    rows = [
        row | {name: row[name] * factor for name in torques} for check in checks for row in check
    ]
    frame = history(rows, full_scale_nm=100.0 * factor).sample(
        fraction=1.0, shuffle=True, seed=seed
    )
    found = answer(frame)
    assert found.within.nearer_low == pytest.approx(base.within.nearer_low, rel=1e-6)
    assert found.overall.performance.nearer_low == pytest.approx(
        base.overall.performance.nearer_low, rel=1e-5
    )
    assert found.overall.tolerance.high == pytest.approx(base.overall.tolerance.high, rel=1e-5)


@settings(max_examples=50, deadline=None)
@given(
    mean=st.floats(-0.9, 0.9), sd=st.floats(0.01, 0.6), df=st.floats(2.0, 60.0),
    worth=st.floats(1.0, 60.0),
)  # fmt: skip
def test_indices_hang_together(mean, sd, df, worth):
    """Mirrored means give the same; limits lie on the right side of their estimates."""
    found = indices(mean, sd, df=df, effective_readings=worth)
    mirrored = indices(-mean, sd, df=df, effective_readings=worth)
    assert mirrored.nearer_low == pytest.approx(found.nearer_low, rel=1e-9)
    assert found.nearer <= found.index * (1 + 1e-12)
    assert found.nearer_low < found.nearer
    assert found.index_low < found.index < found.index_high
    assert found.fraction_outside == pytest.approx(
        ndtr((mean - 1) / sd) + ndtr((-1 - mean) / sd), rel=1e-9, abs=1e-300
    )


@pytest.mark.simulation
@pytest.mark.parametrize(("checks", "check_sd", "reading_sd"), [(3, 0.8, 0.4), (8, 0.6, 0.4)])
def test_lower_limits_hold_as_often_as_they_say(checks, check_sd, reading_sd):
    """300 seeded histories: 95 % limits of Ppk and of the content hold at least 90 % of the time.

    Monte Carlo error 1.3 %; the limits are approximate where checks differ. With all readings taken
    as independent that of Ppk would hold 62 % and 75 % of the time.
    """
    rng = np.random.default_rng(95)
    total = math.hypot(check_sd, reading_sd) / 4.0
    mean = 1.6 / 4.0
    true = (1 - mean) / (3 * total)
    index_held = content_held = 0
    for _ in range(300):
        frame = history(
            *random_checks(
                rng, checks=checks, targets=(60.0,), mean=1.6, check_sd=check_sd,
                reading_sd=reading_sd,
            )
        )  # fmt: skip
        overall = answer(frame).overall
        index_held += overall.performance.nearer_low <= true
        low, high = overall.tolerance.low, overall.tolerance.high
        content_held += ndtr((high - mean) / total) - ndtr((low - mean) / total) >= 0.95
    assert index_held / 300 > 0.90
    assert content_held / 300 > 0.90
