"""Repeatability and reproducibility of one wrench by band."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_wrench import check_rows, history, random_checks

from analysis.bands import Bands
from analysis.errors import NotEnoughEvidence
from analysis.repeatability import ordered_rows, repeatability
from analysis.vocabulary import Band, Direction

CW = Direction.CLOCKWISE


def answer(frame, band=Band.MID):
    return repeatability(frame, CW, Bands()).bands[band]


def test_within_check_scatter_by_hand():
    """Two checks, two readings each, ±0.1 and ±0.3 about their means: s_r² = (0.02 + 0.18)/2."""
    frame = history(
        check_rows("A", {60.0: [0.9, 1.1]}), check_rows("B", {60.0: [1.7, 2.3]}, day=10.0)
    )
    found = answer(frame)
    assert found.within.sd == pytest.approx(np.sqrt(0.1))
    assert found.within.df == 2
    # MSB = 2 ((1.5 - 1)² + (1.5 - 2)²) = 1; s_b² = (1 - 0.1)/2
    assert found.between.sd == pytest.approx(np.sqrt(0.45))
    assert found.reproducibility.sd == pytest.approx(np.sqrt(0.55))
    assert (found.checks, found.readings, found.targets) == (2, 4, 1)


def test_each_band_has_its_own_answer():
    frame = history(
        check_rows("A", {20.0: [1.0, 2.0], 60.0: [1.0, 1.2]}),
        check_rows("B", {20.0: [1.0, 2.0], 60.0: [1.0, 1.2]}, day=10.0),
    )
    found = repeatability(frame, CW, Bands()).bands
    assert found[Band.LOW].within.sd == pytest.approx(np.sqrt(0.5))
    assert found[Band.MID].within.sd == pytest.approx(np.sqrt(0.02))
    assert isinstance(found[Band.UPPER], NotEnoughEvidence)
    assert "no check has a target in this band" in found[Band.UPPER].because


def test_an_adjustment_is_not_scatter():
    """Levels 3 and 0 before and after an adjustment, each steady: the jump is taken out."""
    rng = np.random.default_rng(11)
    checks = random_checks(
        rng, checks=8, mean=3.0, check_sd=0.1, reading_sd=0.2, kinds={4: "as_left"},
        level_after={4: 0.0},
    )  # fmt: skip
    found = answer(history(*checks))
    assert found.between.sd < 0.4
    assert "the level after each adjustment" in found.removed
    unmarked = [[row | {"kind": "as_found"} for row in check] for check in checks]
    assert answer(history(*unmarked)).between.sd > 0.8


def test_a_steady_drift_is_not_scatter():
    """1 % a year for seven years is a trend; the effect of a check is what is left."""
    rng = np.random.default_rng(12)
    checks = random_checks(rng, checks=8, per_check=1.0, check_sd=0.1, reading_sd=0.2)
    found = answer(history(*checks))
    assert found.between.sd < 0.4
    assert found.removed == ("a straight trend in time",)


def test_with_few_checks_drift_stays_in_and_nothing_claims_otherwise():
    rng = np.random.default_rng(13)
    found = answer(history(*random_checks(rng, checks=3, per_check=1.0, check_sd=0.0)))
    assert found.removed == ()
    assert found.between.sd > 0.5


def test_targets_of_a_band_with_different_levels_are_not_scatter():
    rng = np.random.default_rng(14)
    checks = []
    for number in range(5):
        effect = rng.normal(0, 0.1)
        points = {
            target: level + effect + rng.normal(0, 0.2, 5)
            for target, level in ((40.0, 2.0), (60.0, -2.0))
        }
        checks.append(check_rows(f"C{number}", points, day=365.0 * number))
    found = answer(history(*checks))
    assert found.targets == 2
    assert found.within.df == 5 * 2 * 4
    assert found.reproducibility.sd < 0.4
    assert "the level of each target" in found.removed


def test_one_check_gives_repeatability_only():
    found = answer(history(check_rows("A", {60.0: [1.0, 1.2, 0.9]})))
    assert found.within.df == 2
    assert isinstance(found.between, NotEnoughEvidence)
    assert isinstance(found.reproducibility, NotEnoughEvidence)
    assert found.between.because == "one check only"


def test_checks_that_each_follow_an_adjustment_show_no_reproducibility():
    frame = history(
        check_rows("A", {60.0: [1.0, 1.2]}),
        check_rows("B", {60.0: [0.1, 0.2]}, day=10.0, kind="as_left"),
    )
    assert answer(frame).between.because == "each check began after an adjustment"


def test_single_readings_show_no_repeatability():
    found = answer(
        history(*[check_rows(c, {60.0: [1.0]}, day=float(i)) for i, c in enumerate("AB")])
    )
    assert isinstance(found, NotEnoughEvidence)
    assert "only once" in found.because


def test_reproducibility_is_never_below_repeatability():
    """ISO 5725-2: a negative between-check variance counts as none."""
    frame = history(
        check_rows("A", {60.0: [0.0, 1.0, 2.0]}), check_rows("B", {60.0: [0.0, 1.0, 2.0]}, day=1.0)
    )
    found = answer(frame)
    assert found.between.sd == 0.0
    assert found.reproducibility.sd == found.within.sd == pytest.approx(1.0)


def test_the_other_direction_is_another_wrench():
    frame = history(
        check_rows("A", {60.0: [1.0, 1.2]}),
        check_rows("B", {60.0: [5.0, 9.0]}, direction="counter_clockwise"),
    )
    assert answer(frame).readings == 2
    other = repeatability(frame, Direction.COUNTER_CLOCKWISE, Bands()).bands[Band.MID]
    assert other.within.sd == pytest.approx(np.sqrt(8.0))


def test_two_wrenches_in_one_frame_are_refused():
    frame = history(check_rows("A", {60.0: [1.0, 1.2]}))
    mixed = pl.concat([frame, frame.with_columns(pl.lit("W-2").alias("wrench"))])
    with pytest.raises(ValueError, match="more than one wrench"):
        repeatability(mixed, CW, Bands())


def test_no_readings_at_all():
    found = repeatability(history(), CW, Bands())
    assert all(isinstance(band, NotEnoughEvidence) for band in found.bands.values())


def test_segments_count_adjustments_and_found_comes_before_left():
    """As left at the very start adjusts nothing known; of two at one instant, found comes first."""
    frame = history(
        check_rows("A", {60.0: [1.0]}, day=0.0, kind="as_left"),
        check_rows("C", {60.0: [0.0]}, day=9.0, kind="as_left"),
        check_rows("B", {60.0: [2.0]}, day=9.0, kind="as_found"),
        check_rows("D", {60.0: [0.5]}, day=20.0),
    )
    rows = ordered_rows(frame, CW, Bands())
    assert list(zip(rows["check"], rows["segment"], strict=True)) == [
        ("A", 0), ("B", 0), ("C", 1), ("D", 1),
    ]  # fmt: skip


def test_one_target_entered_in_two_units_is_one_target():
    """44.253729 ft·lbf is 60 N·m but for the last digits."""
    frame = history(
        check_rows("A", {60.0: [1.0, 1.2]}),
        check_rows("B", {44.253729: [1.0, 1.2]}, unit_nm=1.3558179483314004, day=5.0),
    )
    assert answer(frame).targets == 1


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    factor=st.sampled_from([1.3558179483314004, 0.1129848290276167, 9.80665]),
    shift=st.floats(-3.0, 3.0),
)
def test_unit_of_torque_level_and_order_of_rows_do_not_matter(seed, factor, shift):
    """Torques in another unit, every deviation shifted, rows shuffled: the SDs stay."""
    checks = random_checks(np.random.default_rng(seed), checks=4, targets=(60.0,), mean=0.0)
    base = answer(history(*checks))
    moved = [
        row
        | {
            name: row[name] * factor for name in ("target_nm", "indicated_nm")
        }
        | {
            "reference_nm": row["target_nm"] * factor
            / (row["target_nm"] / row["reference_nm"] + shift / 100.0)
        }
        for check in checks
        for row in check
    ]  # fmt: skip
    frame = history(moved, full_scale_nm=100.0 * factor).sample(
        fraction=1.0, shuffle=True, seed=seed
    )
    found = answer(frame)
    for name in ("within", "between", "reproducibility"):
        assert getattr(found, name).sd == pytest.approx(getattr(base, name).sd, rel=1e-6, abs=1e-9)


def test_what_was_put_in_comes_out():
    """40 seeded checks: s_r 0.4 and s_b 0.3 within four standard errors of the estimates."""
    rng = np.random.default_rng(15)
    found = answer(history(*random_checks(rng, checks=40, targets=(60.0,))))
    assert found.within.sd == pytest.approx(0.4, abs=4 * 0.4 / np.sqrt(2 * 160))
    assert found.between.sd == pytest.approx(0.3, abs=4 * 0.35 / np.sqrt(2 * 38))
