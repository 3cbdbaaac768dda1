"""Where ISO 6789-1 has a check measure, by edition."""

import pytest

from analysis.prescribed_points import PointCount, prescribed_places, shortfalls
from analysis.vocabulary import Edition

E2003, E2017 = Edition.E2003, Edition.E2017


@pytest.mark.parametrize(
    ("lowest_x", "edition", "places"),
    [
        # A 10-100 N·m tool, formerly tested at 20 N·m, is tested at 10 N·m by the edition of 2017
        # (articles on the revision; 60 % and 100 % from memory).
        (0.1, E2003, ((0.2,), (0.6,), (1.0,))),
        (0.1, E2017, ((0.1,), (0.6,), (1.0,))),
        (0.1, None, ((0.1, 0.2), (0.6,), (1.0,))),
        (0.2, None, ((0.2,), (0.6,), (1.0,))),
        (0.4, E2003, ((0.4,), (0.6,), (1.0,))),
        # A range that begins above 60 %: nothing can be asked for below its marks.
        (0.7, E2017, ((0.7,), (1.0,))),
    ],
)
def test_places_by_edition(lowest_x, edition, places):
    assert prescribed_places(lowest_x, edition) == places


def counts(*pairs):
    return [PointCount(x, readings) for x, readings in pairs]


def test_a_place_that_was_not_measured_and_one_with_too_few_readings_fall_short():
    short = shortfalls(counts((0.2, 5), (1.0, 3)), 0.2, None, 5)
    assert [(each.places, each.found) for each in short] == [((0.6,), 0), ((1.0,), 3)]


def test_readings_of_several_visits_add_up_and_a_near_mark_is_the_place():
    assert shortfalls(counts((0.2, 3), (0.21, 3), (0.59, 5), (1.0, 5)), 0.2, E2003, 5) == ()
    (short,) = shortfalls(counts((0.25, 5), (0.6, 5), (1.0, 5)), 0.2, E2003, 5)
    assert (short.places, short.found) == ((0.2,), 0)


def test_without_a_known_edition_either_lowest_value_will_do():
    for lowest in (0.1, 0.2):
        taken = counts((lowest, 5), (0.6, 5), (1.0, 5))
        assert shortfalls(taken, 0.1, None, 5) == ()
        assert bool(shortfalls(taken, 0.1, E2017, 5)) is (lowest == 0.2)
