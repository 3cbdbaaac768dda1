"""The law learnt without a view on mechanisms, and the error taken apart by it."""

import numpy as np
import pytest
from range_fleets import a_law

from analysis.errors import NotEnoughEvidence
from analysis.range_law import RangeLaw, range_law
from analysis.simulate import Recipe, simulate_fleet


def learnt(law, wrenches: int = 25, visits: int = 5, seed: int = 1) -> RangeLaw:
    recipe = Recipe(law=law, wrenches=wrenches, visits=(visits,), mpd_pct=4.0, adjust_beyond=1e9)
    random = np.random.Generator(np.random.PCG64(seed))
    return range_law(simulate_fleet(recipe, random).histories)


@pytest.fixture(scope="module")
def relaxing() -> RangeLaw:
    """Wrenches whose offset grows with time, all alike, and that rub."""
    return learnt(a_law(alpha=0.15, rate_mean=(0.0, 0.3), level=(0.5, 0.05)))


def test_the_parts_of_the_error_add_up(relaxing: RangeLaw) -> None:
    for x in (0.2, 0.5, 1.0):
        parts = relaxing.parts(x)
        assert sum(part.share.value for part in parts) == pytest.approx(1.0)
        assert len({(part.name, part.term) for part in parts}) == 10


def test_the_largest_part_at_the_bottom_is_the_one_that_was_put_there(relaxing: RangeLaw) -> None:
    """A shared drift of 0.3 % of full scale a year is 1.5 % of reading at a fifth of full scale."""
    first = relaxing.parts(0.2)[0]
    assert (first.name, first.term) == ("drift", "shared")
    assert first.sd_pct.lower < 1.5 < first.sd_pct.upper
    top = relaxing.parts(1.0)[0]
    assert (top.name, top.term) == ("level", "gain")


def test_offsets_grow_towards_the_bottom_and_gains_do_not(relaxing: RangeLaw) -> None:
    low, top = (
        {(part.name, part.term): part.sd_pct.value for part in relaxing.parts(x)}
        for x in (0.2, 1.0)
    )
    assert low["scatter", "offset"] == pytest.approx(5 * top["scatter", "offset"])
    assert low["scatter", "gain"] == pytest.approx(top["scatter", "gain"])


def test_intervals_hold_what_is_true(relaxing: RangeLaw) -> None:
    found = relaxing.parameters()
    truth = {"rate_mean_offset_per_year": 0.3, "level_sd_gain": 0.5, "level_sd_offset": 0.05}
    for name, value in truth.items():
        assert found[name].lower <= value <= found[name].upper, name


def test_without_terms_in_1_over_x_next_to_none_are_found() -> None:
    """No fleet shows that a term is zero; it shows that it is too small to matter."""
    found = learnt(a_law())
    bottom, top = found.typical_error(0.2), found.typical_error(1.0)
    assert bottom.value / top.value < 1.1
    small = {p.name: p.share.value for p in found.parts(0.2) if p.term == "offset"}
    assert sum(small.values()) < 0.1


def test_what_is_assumed_says_nothing_of_mechanisms() -> None:
    """Twenty wrenches that rub move alpha an order of magnitude from where it was assumed."""
    alpha = learnt(a_law(alpha=0.2), wrenches=20).draws.alpha_pct
    assert np.quantile(alpha, 0.025) > 0.15


def test_wrenches_checked_once_show_no_drift() -> None:
    with pytest.raises(NotEnoughEvidence, match="no wrench checked on two days"):
        learnt(a_law(), wrenches=6, visits=1)
