"""New checks move their wrenches at once, under laws that were learnt before."""

from dataclasses import fields

import numpy as np
import polars as pl
import pytest
from range_fleets import Bench, frames

from analysis.deviation import with_deviations
from analysis.due import DuePolicy
from analysis.family import FamilyFit, place_members
from analysis.fleet import FleetFit, fit_fleet, place_fleet
from analysis.fleet_laws import FleetLaws
from analysis.fleet_update import changed_members, update_fleet
from analysis.history import pack_histories
from analysis.shop import ShopRules, due_of_shop, due_of_wrench, shop_of
from analysis.vocabulary import Direction, Mechanism

CW = Direction.CLOCKWISE


def shop_frames() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Eight click wrenches and four electronic ones, four checks each."""
    wrenches, readings, _ = frames(
        Bench(wrenches=8, checks=4, friction_nm=0.15, prefix="S"),
        Bench(mechanism=Mechanism.ELECTRONIC, wrenches=4, checks=4, prefix="E", seed=2),
    )
    return wrenches, with_deviations(wrenches, readings)


WRENCHES, WHOLE = shop_frames()
LAST = pl.col("day") == pl.col("day").max().over("wrench")
CHANGED = {("S-2", CW), ("S-5", CW), ("E-1", CW)}
BEFORE = WHOLE.filter(~(LAST & pl.col("wrench").is_in([wrench for wrench, _ in CHANGED])))


@pytest.fixture(scope="module")
def learnt() -> FleetFit:
    return fit_fleet(WRENCHES, BEFORE)


def same_state(one: FamilyFit, row: int, other: FamilyFit, at: int) -> None:
    for part in fields(one.state):
        np.testing.assert_allclose(
            getattr(one.state, part.name)[..., row],
            getattr(other.state, part.name)[..., at],
            rtol=1e-9,
            atol=1e-12,
        )


def test_exactly_the_histories_with_new_readings_have_changed() -> None:
    assert changed_members(BEFORE, WHOLE) == CHANGED
    assert changed_members(WHOLE, WHOLE) == frozenset()


def test_a_changed_reading_or_order_is_seen_and_the_order_of_histories_does_not_count() -> None:
    nudged = WHOLE.with_columns(
        pl.when((pl.col("wrench") == "E-0") & LAST)
        .then(pl.col("deviation_pct") + 0.1)
        .otherwise("deviation_pct")
        .alias("deviation_pct")
    )
    assert changed_members(WHOLE, nudged) == {("E-0", CW)}
    turned = pl.concat(
        [
            WHOLE.filter(pl.col("wrench") != "E-0"),
            WHOLE.filter(pl.col("wrench") == "E-0").reverse(),
        ]
    )
    assert changed_members(WHOLE, turned) == {("E-0", CW)}
    other_way_round = WHOLE.sort("wrench", descending=True, maintain_order=True)
    assert changed_members(WHOLE, other_way_round) == frozenset()


def test_an_update_gives_what_placing_everybody_anew_gives(learnt: FleetFit) -> None:
    """Only the changed wrenches are filtered; the answer is as if all had been."""
    updated = update_fleet(learnt, WRENCHES, WHOLE, changed_members(BEFORE, WHOLE))
    assert updated is not None
    packed = pack_histories(WHOLE, CW)
    assert {name for name, _ in updated.places} == set(WRENCHES["wrench"])
    for wrench in packed.wrenches:
        now, row = updated.place(wrench, CW)
        family, _ = learnt.place(wrench, CW)
        everybody = place_members(family, packed.take([packed.wrenches.index(wrench)]))
        same_state(now, row, everybody, 0)


def test_one_check_after_another_gives_what_placing_everybody_at_once_gives(
    learnt: FleetFit,
) -> None:
    """State by state and due date by due date, to the last digit, each wrench in its place."""
    laws = FleetLaws({(family.direction, family.name): family for family in learnt.families}, {})
    checks = WHOLE["check"].unique(maintain_order=True).to_list()
    held, updated = BEFORE.filter(pl.col("wrench") != "S-3"), learnt
    updated = update_fleet(updated, WRENCHES, held, [("S-3", CW)])
    for check in checks:
        (wrench,) = WHOLE.filter(pl.col("check") == check)["wrench"].unique()
        if check in set(held["check"]):
            continue
        assert updated is not None
        known = {*held["check"], check}
        held = WHOLE.filter(pl.col("check").is_in(sorted(known)))
        updated = update_fleet(updated, WRENCHES, held, [(wrench, CW)])
    assert updated is not None
    at_once = place_fleet(laws, WRENCHES, WHOLE)
    assert updated.places == at_once.places
    for one, other in zip(updated.families, at_once.families, strict=True):
        for part in fields(one.state):
            np.testing.assert_array_equal(
                getattr(one.state, part.name), getattr(other.state, part.name)
            )
        assert one.outlying == other.outlying
    rules = ShopRules((0.2, 0.6, 1.0), 5, DuePolicy(0.95, 12, 5000, 14), 0.02)
    shop = shop_of(updated, WRENCHES, WHOLE, rules)
    due = due_of_shop(shop_of(at_once, WRENCHES, WHOLE, rules), 20700.0)
    assert due_of_shop(shop, 20700.0) == due
    for wrench, direction in due:
        assert due_of_wrench(shop, wrench, direction, 20700.0) == due[wrench, direction]


def test_due_dates_follow_the_new_check(learnt: FleetFit) -> None:
    """A wrench checked again is due later; one that was not keeps its date."""
    updated = update_fleet(learnt, WRENCHES, WHOLE, CHANGED)
    assert updated is not None
    rules = ShopRules((0.2, 0.6, 1.0), 5, DuePolicy(0.95, 12, 5000, 14), 0.02)
    before, after = (
        due_of_shop(shop_of(fit, WRENCHES, deviations, rules), 20700.0)
        for fit, deviations in ((learnt, BEFORE), (updated, WHOLE))
    )
    assert before.keys() == after.keys()
    assert after["E-1", CW].due_day > before["E-1", CW].due_day
    assert after["E-2", CW].due_day == pytest.approx(before["E-2", CW].due_day)


def test_a_wrench_new_to_a_known_kind_joins_its_family(learnt: FleetFit) -> None:
    wrenches, readings, _ = frames(Bench(wrenches=1, checks=1, prefix="N"))
    both = pl.concat([WRENCHES, wrenches])
    deviations = pl.concat([BEFORE, with_deviations(wrenches, readings)])
    updated = update_fleet(learnt, both, deviations, changed_members(BEFORE, deviations))
    assert updated is not None
    assert updated.place("N-0", CW)[0].name == learnt.place("S-0", CW)[0].name


def test_the_first_wrench_of_its_kind_needs_laws_of_its_own(learnt: FleetFit) -> None:
    wrenches, readings, _ = frames(Bench(mechanism=Mechanism.DIAL, wrenches=1, prefix="D"))
    both = pl.concat([WRENCHES, wrenches])
    deviations = pl.concat([BEFORE, with_deviations(wrenches, readings)])
    assert update_fleet(learnt, both, deviations, [("D-0", CW)]) is None


def test_a_wrench_whose_checks_were_all_voided_falls_out(learnt: FleetFit) -> None:
    without = BEFORE.filter(pl.col("wrench") != "S-0")
    updated = update_fleet(learnt, WRENCHES, without, changed_members(BEFORE, without))
    assert updated is not None
    assert ("S-0", CW) not in updated.places
    assert len(updated.places) == len(learnt.places) - 1


def test_learning_anew_moves_the_answers_little(learnt: FleetFit) -> None:
    """Three checks among 48: expected deviations and their SDs move by less than 30 %."""
    from analysis.mixture import summarise
    from analysis.outlook import outlook

    updated = update_fleet(learnt, WRENCHES, WHOLE, CHANGED)
    anew = fit_fleet(WRENCHES, WHOLE)
    assert updated is not None
    for wrench in WRENCHES["wrench"]:
        views = []
        for fit in (updated, anew):
            family, row = fit.place(wrench, CW)
            views.append(summarise(outlook(family.of_rows([row]), 20700.0).reading_at(0.6)))
        kept, learnt_anew = views
        assert abs(kept.mean[0] - learnt_anew.mean[0]) < 0.3 * learnt_anew.sd[0]
        assert kept.sd[0] == pytest.approx(learnt_anew.sd[0], rel=0.3)
