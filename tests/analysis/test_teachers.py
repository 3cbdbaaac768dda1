"""Who teaches the laws of a fleet: everybody, or a sample that parts can draw."""

import polars as pl
import pytest
from fleet_frames import Herd, frames
from polars.testing import assert_frame_equal

from analysis.deviation import with_deviations
from analysis.kinds import size_class, size_column
from analysis.teachers import Teachers, joined, teachers_of
from analysis.vocabulary import Direction, Mechanism

WRENCHES, READINGS = frames(
    Herd(Mechanism.SPRING, 100.0, 60, visits=(1, 2), repeats=1, prefix="S"),
    Herd(Mechanism.BEAM, 20.0, 5, visits=(1,), repeats=1, prefix="B"),
)
DEVIATIONS = with_deviations(WRENCHES, READINGS)


def names(teachers: Teachers, mechanism: Mechanism) -> set[str]:
    rows = teachers.deviations.filter(pl.col("mechanism") == mechanism.value)
    return set(rows["wrench"])


def test_a_small_family_teaches_with_all_its_wrenches_and_readings() -> None:
    teachers = teachers_of(DEVIATIONS, most=60)
    assert teachers.deviations.height == READINGS.height
    assert_frame_equal(
        teachers.deviations.select("check", "deviation_pct"),
        DEVIATIONS.select("check", "deviation_pct"),
    )


def test_a_large_one_teaches_with_a_sample_of_whole_histories() -> None:
    teachers = teachers_of(DEVIATIONS, most=10)
    springs = names(teachers, Mechanism.SPRING)
    assert len(names(teachers, Mechanism.BEAM)) == 5
    assert len(springs) == 10  # the same in both directions: the digest is the serial's
    for wrench in springs:
        assert (
            teachers.deviations.filter(pl.col("wrench") == wrench).height
            == READINGS.filter(pl.col("wrench") == wrench).height
        )


def test_the_census_counts_everybody() -> None:
    """Half of the springs were checked twice, no beam was."""
    counted = teachers_of(DEVIATIONS, most=10).census
    assert counted.filter(pl.col("mechanism") == "spring")["wrenches"].to_list() == [60, 60]
    assert counted.filter(pl.col("mechanism") == "spring")["repeated"].to_list() == [30, 30]
    assert counted.filter(pl.col("mechanism") == "beam")["repeated"].to_list() == [0, 0]


def test_the_sample_moves_neither_with_the_order_of_rows_nor_much_with_a_newcomer() -> None:
    kept = names(teachers_of(DEVIATIONS, most=10), Mechanism.SPRING)
    shuffled = DEVIATIONS.sample(fraction=1.0, shuffle=True, seed=1)
    assert names(teachers_of(shuffled, most=10), Mechanism.SPRING) == kept
    without = DEVIATIONS.filter(pl.col("wrench") != min(kept))
    assert len(kept - names(teachers_of(without, most=10), Mechanism.SPRING)) == 1


def test_the_sample_is_a_random_one() -> None:
    """Half of a fleet has two checks, and so has about half of a sample of 20 from 60.

    Hypergeometric SD 1.8 of 10: five of them to either side.
    """
    sampled = names(teachers_of(DEVIATIONS, most=20), Mechanism.SPRING)
    twice = DEVIATIONS.filter(pl.col("direction") == Direction.CLOCKWISE.value).group_by("wrench")
    repeated = set(twice.agg(pl.col("day").n_unique()).filter(pl.col("day") > 1)["wrench"])
    assert 2 <= len(sampled & repeated) <= 18


def test_samples_of_parts_join_to_the_sample_of_the_whole() -> None:
    whole = teachers_of(DEVIATIONS, most=7)
    dealt = [
        teachers_of(DEVIATIONS.filter(pl.col("wrench").hash(seed=5) % 3 == turn), most=7)
        for turn in range(3)
    ]
    for parts in (dealt, dealt[::-1], [joined(dealt[:2]), dealt[2]]):
        together = joined(parts)
        assert_frame_equal(together.census, whole.census)
        assert_frame_equal(together.deviations.sort(pl.all()), whole.deviations.sort(pl.all()))


def test_parts_that_cannot_be_joined_are_refused() -> None:
    once = teachers_of(DEVIATIONS, most=7)
    with pytest.raises(ValueError, match="readings lie in two parts"):
        joined([once, once])
    with pytest.raises(ValueError, match="same number of teachers"):
        joined([once, teachers_of(DEVIATIONS, most=8)])
    with pytest.raises(ValueError, match="parts of one fleet"):
        joined([])


def test_size_classes_of_a_column_are_those_of_its_values() -> None:
    values = [0.5, 30.0, 30.1, 200.0, 200.5]
    frame = pl.DataFrame({"full_scale_nm": values})
    assert frame.select(size_column())["size"].to_list() == [size_class(v) for v in values]
