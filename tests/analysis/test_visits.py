"""Checks of a frame of readings, and readings at one place, in whatever order they come."""

import numpy as np
import pytest
from sample_histories import Story, Visit, deviations_frame

from analysis.visits import Cells, Visits
from analysis.vocabulary import CheckKind, Direction

FRAME = deviations_frame(
    [
        Story([Visit(9.0, [(0.2, 1.0), (0.6, 2.0), (0.2, 3.0)]), Visit(5.0, [(1.0, 4.0)])], "B"),
        Story([Visit(5.0, [(0.2, 5.0)])], "B", Direction.COUNTER_CLOCKWISE),
        Story([Visit(7.0, [(0.2, 6.0)], CheckKind.AS_LEFT), Visit(7.0, [(0.2, 7.0)])], "A"),
    ]
)


@pytest.mark.parametrize("seed", [None, 0, 1, 2])
def test_visits_stand_in_order_and_each_reading_finds_its_own(seed: int | None) -> None:
    """By wrench, direction, day, found before left, whatever the order of the readings."""
    frame = FRAME if seed is None else FRAME.sample(fraction=1.0, shuffle=True, seed=seed)
    visits = Visits.of(frame)
    assert visits.frame["check"].to_list() == ["A/01", "A/00", "B/01", "B/00", "B/00"]
    assert visits.frame["left"].to_list() == [False, True, False, False, False]
    assert visits.history.tolist() == [0, 0, 1, 1, 2]
    assert visits.place.tolist() == [0, 1, 0, 1, 0]
    names = ["wrench", "direction", "check", "day"]
    found = visits.frame.select(names)[visits.of_row]
    assert found.equals(frame.select(names))


@pytest.mark.parametrize("seed", [None, 0, 1])
def test_cells_hold_the_readings_of_one_check_and_place(seed: int | None) -> None:
    """Readings at a place that the check came back to stand together, in their order."""
    frame = FRAME if seed is None else FRAME.sample(fraction=1.0, shuffle=True, seed=seed)
    visits = Visits.of(frame)
    cells = Cells.of(visits.of_row, frame["x"].to_numpy())
    assert cells.visit.tolist() == [0, 1, 2, 3, 3, 4]
    assert cells.x.tolist() == [0.2, 0.2, 1.0, 0.2, 0.6, 0.2]
    assert cells.count.tolist() == [1, 1, 1, 2, 1, 1]
    assert cells.number.tolist() == [0, 0, 0, 0, 1, 0, 0]
    values = frame["deviation_pct"].to_numpy()[cells.rows]
    assert cells.summed(values).tolist() == [7.0, 6.0, 4.0, 4.0, 2.0, 5.0]
    assert cells.spread(cells.x).tolist() == frame["x"].to_numpy()[cells.rows].tolist()
    assert (np.diff(cells.rows[cells.start[3] : cells.start[4]]) > 0).all()


def test_no_reading_has_no_visit() -> None:
    """Empty in, empty out."""
    visits = Visits.of(FRAME.clear())
    cells = Cells.of(visits.of_row, FRAME.clear()["x"].to_numpy())
    assert visits.frame.height == visits.history.size == visits.place.size == cells.rows.size == 0
    assert cells.summed(np.empty(0)).shape == (0,)
