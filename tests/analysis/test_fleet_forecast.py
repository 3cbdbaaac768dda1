"""A fleet worked out part by part: the same answers as the whole, and as one wrench at a time."""

import json
from collections.abc import Iterator
from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest
from fleet_frames import Herd, frames
from polars.testing import assert_frame_equal

from analysis.bands import Bands
from analysis.capability import BandCapability, OverallCapability, capability
from analysis.deviation import with_deviations
from analysis.due import DuePolicy
from analysis.fleet import place_fleet
from analysis.fleet_forecast import FORECASTS, FleetQuestion, forecast_part, forecasts
from analysis.fleet_laws import FleetLaws, laws_together, learn_fleet_laws, learnt_apart
from analysis.fleet_update import changed_members, update_fleet
from analysis.law_records import from_record, to_record
from analysis.outlook import last_days, outlook
from analysis.pass_probability import pass_probability
from analysis.risk import pull_risk
from analysis.scatter_law import scatter_law
from analysis.shop import Shop, ShopRules, drift_of_wrench, due_of_shop, shop_of
from analysis.teachers import joined, teachers_of
from analysis.use_since import Work
from analysis.vocabulary import Band, Direction, Mechanism

CW = Direction.CLOCKWISE
WRENCHES, READINGS = frames(
    Herd(Mechanism.SPRING, 100.0, 12, visits=(1, 3, 5), prefix="S", directions=(CW,)),
    Herd(Mechanism.SPRING, 250.0, 2, visits=(3,), prefix="L", directions=(CW,), mpd_pct=6.0),
    Herd(Mechanism.ELECTRONIC, 60.0, 2, visits=(3,), prefix="E", counted=True),
    seed=3,
)
DEVIATIONS = with_deviations(WRENCHES, READINGS)
RULES = ShopRules((0.1, 0.2, 0.6, 1.0), 5, DuePolicy(0.95, 12, 1200, 14), 0.02)
DAY = float(READINGS["day"].max() or 0.0) + 40.0
QUESTION = FleetQuestion(RULES, Bands(), DAY)


def parts(count: int) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """The wrenches dealt out in turn, each with all its readings."""
    for turn in range(count):
        mine = WRENCHES.gather_every(count, turn)
        yield mine, READINGS.filter(pl.col("wrench").is_in(mine["wrench"].implode()))


@pytest.fixture(scope="module")
def laws() -> FleetLaws:
    return learn_fleet_laws(teachers_of(DEVIATIONS))


@pytest.fixture(scope="module")
def whole(laws: FleetLaws) -> pl.DataFrame:
    return forecast_part(laws, WRENCHES, DEVIATIONS, QUESTION)


@pytest.fixture(scope="module")
def shop(laws: FleetLaws) -> Shop:
    fit = place_fleet(laws, WRENCHES, DEVIATIONS)
    return shop_of(fit, WRENCHES, DEVIATIONS, RULES)


def test_every_wrench_and_direction_with_a_reading_has_one_row(whole: pl.DataFrame) -> None:
    assert whole.schema == FORECASTS
    told = whole.select("wrench", "direction")
    assert not told.is_duplicated().any()
    seen = READINGS.select("wrench", "direction").unique().sort("wrench", "direction")
    assert_frame_equal(told, seen)


@pytest.mark.parametrize("count", [2, 5])
def test_the_teachers_of_the_parts_are_those_of_the_whole(count: int) -> None:
    """To the last digit, and so are the laws that they teach."""
    sampled = [teachers_of(with_deviations(w, r)) for w, r in parts(count)]
    for order in (sampled, sampled[::-1]):
        together, alone = joined(order), teachers_of(DEVIATIONS)
        assert_frame_equal(together.census, alone.census)
        assert_frame_equal(
            together.deviations.sort(pl.all()), alone.deviations.sort(pl.all()), check_exact=True
        )


@pytest.mark.parametrize("count", [1, 3])
def test_forecasts_of_parts_are_those_of_the_whole(
    laws: FleetLaws, whole: pl.DataFrame, count: int
) -> None:
    """Whatever else is in the part."""
    found = pl.concat(forecasts(laws, parts(count), QUESTION)).sort("wrench", "direction")
    assert_frame_equal(found, whole, rel_tol=1e-9, abs_tol=1e-12)


def test_laws_that_went_through_json_give_the_same_forecasts(
    laws: FleetLaws, whole: pl.DataFrame
) -> None:
    sent = from_record(json.loads(json.dumps(to_record(laws), allow_nan=False)))
    found = forecast_part(sent, WRENCHES, DEVIATIONS, QUESTION)
    assert_frame_equal(found, whole, check_exact=True)


def test_laws_learnt_apart_are_those_learnt_at_once() -> None:
    """A size by itself where all of its mechanism have wrenches enough; else the mechanism."""
    wrenches, readings = frames(
        Herd(Mechanism.SPRING, 100.0, 6, visits=(2,), prefix="S", directions=(CW,)),
        Herd(Mechanism.SPRING, 250.0, 7, visits=(2,), prefix="L", directions=(CW,)),
        Herd(Mechanism.BEAM, 60.0, 6, visits=(2,), prefix="B", directions=(CW,)),
        Herd(Mechanism.BEAM, 250.0, 2, visits=(2,), prefix="F", directions=(CW,)),
        seed=8,
    )
    teachers = teachers_of(with_deviations(wrenches, readings))
    shares = learnt_apart(teachers)
    names = [sorted(share.deviations["wrench"].str.head(1).unique()) for share in shares]
    assert names == [["B", "F"], ["L"], ["S"]]
    together = to_record(laws_together(learn_fleet_laws(share) for share in shares))
    at_once = to_record(learn_fleet_laws(teachers))
    by_name = [sorted(r["families"], key=lambda f: str(f["name"])) for r in (together, at_once)]
    assert by_name[0] == by_name[1]


def test_laws_of_another_version_are_refused(laws: FleetLaws) -> None:
    record = to_record(laws)
    with pytest.raises(ValueError, match="are wanted, not of"):
        from_record({**record, "method": {**record["method"], "version": "0"}})


def test_a_kind_that_taught_no_laws_is_refused(laws: FleetLaws) -> None:
    wrenches, readings = frames(Herd(Mechanism.DIAL, 100.0, 1, visits=(1,), prefix="D"))
    with pytest.raises(ValueError, match="no laws were learnt for the kind of wrench D-0"):
        forecast_part(laws, wrenches, with_deviations(wrenches, readings), QUESTION)


def test_a_direction_without_tolerance_has_no_forecast(laws: FleetLaws) -> None:
    bare = WRENCHES.with_columns(pl.lit(None, dtype=pl.Float64).alias("mpd_ccw_pct"))
    found = forecast_part(laws, bare, with_deviations(bare, READINGS), QUESTION)
    assert found["direction"].unique().to_list() == [CW.value]


def rows_of(frame: pl.DataFrame) -> Iterator[tuple[str, Direction, dict[str, object]]]:
    for row in frame.iter_rows(named=True):
        yield row["wrench"], Direction(row["direction"]), row


def test_due_dates_are_those_of_single_wrenches(whole: pl.DataFrame, shop: Shop) -> None:
    """To the step of the search, half a day, and bound by the same rule."""
    single = due_of_shop(shop, DAY)
    assert len(single) == whole.height
    for wrench, direction, row in rows_of(whole):
        due = single[wrench, direction]
        assert row["due_day"] == pytest.approx(due.due_day, abs=0.47)
        assert row["last_check_day"] == due.last_check_day
        assert (row["reliability_day"] is None) == (due.reliability_day is None)
        assert row["bound_by"] == due.bound_by.value
    assert {"cycles", "months"} < set(whole["bound_by"])


def test_recorded_work_brings_the_cap_in_cycles_forward(laws: FleetLaws, shop: Shop) -> None:
    """A thousand pulls in the days after its last check."""
    key = ("S-1", CW)
    family, place = shop.fit.place(*key)
    start = float(last_days(family)[place])
    work = Work(start, start, 0.0, start, ((start + 2.0, 1100), (start + 4.0, 150)), start + 40.0)
    asked = replace(QUESTION, work={key: work})
    found = forecast_part(laws, WRENCHES, DEVIATIONS, asked)
    [row] = found.filter(wrench="S-1", direction=CW.value).iter_rows(named=True)
    assert (row["due_day"], row["bound_by"]) == (start + 4.0, "cycles")
    single = due_of_shop(replace(shop, work={key: work}), DAY)[key]
    assert single.due_day == row["due_day"]


def test_chances_and_risks_are_those_of_single_wrenches(whole: pl.DataFrame, shop: Shop) -> None:
    for wrench, direction, row in rows_of(whole):
        family, place = shop.fit.place(wrench, direction)
        view = outlook(family.of_rows([place]), DAY)
        marked = shop.ranges[wrench]
        plan = marked.plan(RULES.plan_shares, RULES.plan_repeats)
        limits = marked.mpd_pct(direction, np.asarray(plan.x))
        chance = pass_probability(view, plan, limits[None])[0]
        assert row["pass_probability"] == pytest.approx(chance, abs=1e-5)
        assert row["plan_x"] == list(plan.x)
        risks = [float(pull_risk(view, x, mpd)[0]) for x, mpd in zip(plan.x, limits, strict=True)]
        assert row["pull_risk"] == pytest.approx(risks, abs=1e-9)
        assert row["rho_pct"] == scatter_law(family).rho_pct.sd


def test_drift_is_that_of_single_wrenches(whole: pl.DataFrame, shop: Shop) -> None:
    for wrench, direction, row in rows_of(whole.gather_every(7)):
        single = drift_of_wrench(shop, wrench, direction, DAY)
        for part, rate in (("gain", single.gain), ("offset", single.offset)):
            found = [row[f"{part}_rate{end}"] for end in ("", "_low", "_high")]
            assert found == pytest.approx([rate.per_year, rate.lower, rate.upper], rel=1e-6)
        assert row["checks"] == single.evidence.checks
        assert row["readings"] == single.evidence.readings
        assert row["jumps"] == len(single.jumps)


def test_ppk_is_that_of_single_wrenches(whole: pl.DataFrame) -> None:
    """Null exactly where a single wrench's analysis finds the data too thin."""
    answered = 0
    for wrench, direction, row in rows_of(whole):
        own = DEVIATIONS.filter(pl.col("wrench") == wrench)
        for band, single in capability(own, direction, Bands()).bands.items():
            found = row[f"ppk_{band.value}"]
            overall = single.overall if isinstance(single, BandCapability) else single
            if isinstance(overall, OverallCapability):
                assert found == pytest.approx(overall.performance.nearer, rel=1e-9)
                answered += 1
            else:
                assert found is None
    assert answered > whole.height
    assert whole[f"ppk_{Band.LOW.value}"].null_count() > 0


@pytest.mark.parametrize("kept", [False, True], ids=["as learnt", "kept as text"])
def test_a_new_check_moves_its_wrench_to_where_working_out_everybody_puts_it(
    laws: FleetLaws, *, kept: bool
) -> None:
    """Incremental and full: the same states of all wrenches, and nobody else is touched."""
    learnt = laws
    if kept:
        laws = from_record(json.loads(json.dumps(to_record(laws), allow_nan=False)))
    last = pl.col("day") == pl.col("day").max().over("wrench", "direction")
    before = DEVIATIONS.filter(~(last & (pl.col("wrench") == "S-2")))
    earlier = place_fleet(laws, WRENCHES, before)
    changed = changed_members(before, DEVIATIONS)
    updated = update_fleet(earlier, WRENCHES, DEVIATIONS, changed, laws)
    everybody = place_fleet(learnt, WRENCHES, DEVIATIONS)
    assert updated is not None
    assert updated.places.keys() == everybody.places.keys()
    for wrench, direction in everybody.places:
        one, row = updated.place(wrench, direction)
        other, at = everybody.place(wrench, direction)
        for part in fields(one.state):
            mine, theirs = getattr(one.state, part.name), getattr(other.state, part.name)
            np.testing.assert_allclose(mine[..., row], theirs[..., at], rtol=1e-9, atol=1e-12)
    same = [family for family in updated.families if any(family is f for f in earlier.families)]
    assert len(same) == len(earlier.families) - 1


def test_a_family_that_nobody_is_of_takes_its_wrenches_back(laws: FleetLaws) -> None:
    """Its laws were learnt, though all its checks were voided for a while."""
    of_springs = pl.col("wrench").str.starts_with("S")
    without = place_fleet(laws, WRENCHES, DEVIATIONS.filter(~of_springs))
    springs = [(name, CW) for name in WRENCHES.filter(of_springs)["wrench"]]
    back = update_fleet(without, WRENCHES, DEVIATIONS, springs, laws)
    astray = update_fleet(without, WRENCHES, DEVIATIONS, springs)
    assert back is not None
    assert astray is not None
    assert back.place("S-0", CW)[0].name == "spring, medium"
    # Who knows only the families that have wrenches puts it with the other size.
    assert astray.place("S-0", CW)[0].name == "spring, all sizes"
