"""Families of a shop: who teaches whom, where each wrench stands, and whether forecasts hold."""

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from analysis.deviation import with_deviations
from analysis.error_law import assumption, law_from_coordinates
from analysis.errors import NotEnoughEvidence
from analysis.evidence import READINGS, WRENCHES
from analysis.family import FamilyFit, fit_family
from analysis.fleet import FleetFit, fit_fleet
from analysis.history_filter import filter_histories
from analysis.kinds import size_class
from analysis.mixture import summarise
from analysis.outlook import last_days, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.simulate import Recipe, SimulatedFleet, future_readings, share_passing, simulate_fleet
from analysis.time_basis import TimeBasis
from analysis.vocabulary import CheckKind, Direction, Mechanism

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE


def _wrenches(*rows: tuple[str, Mechanism, float]) -> pl.DataFrame:
    """Rows of (serial, mechanism, full scale in N·m)."""
    return pl.DataFrame(
        [
            (serial, mechanism.value, full * 0.2, full, 4.0, 6.0, False, False, None)
            for serial, mechanism, full in rows
        ],
        schema=WRENCHES,
        orient="row",
    )


def _readings(
    wrenches: pl.DataFrame,
    serials: Iterable[str],
    days: Iterable[float],
    *,
    direction: Direction = CW,
    targets: tuple[float, ...] = (0.2, 0.6, 1.0),
    repeats: int = 3,
    kinds: tuple[CheckKind, ...] = (CheckKind.AS_FOUND,),
) -> pl.DataFrame:
    """Invented readings of some wrenches on some days, every kind of check on each day."""
    full = dict(zip(wrenches["wrench"], wrenches["full_scale_nm"], strict=True))
    random = np.random.default_rng(sum(map(ord, direction.value)))
    rows = []
    for serial in serials:
        level = random.normal(0.0, 0.8)
        for day in days:
            for kind in kinds:
                for x in targets:
                    torque = x * full[serial]
                    d = level + random.normal(0.0, 0.3) + random.normal(0.0, 0.5, repeats)
                    check = f"{serial}/{direction.value}/{day}/{kind.value}"
                    rows += [
                        (serial, direction.value, check, kind.value, 20_000.0 + day, None, False,
                         torque, torque, torque / (1 + value / 100))
                        for value in d
                    ]  # fmt: skip
    return pl.DataFrame(rows, schema=READINGS, orient="row")


def _fit(wrenches: pl.DataFrame, *readings: pl.DataFrame) -> FleetFit:
    empty = pl.DataFrame(schema=READINGS)
    return fit_fleet(wrenches, with_deviations(wrenches, pl.concat([empty, *readings])))


def _names(prefix: str, count: int) -> list[str]:
    return [f"{prefix}{i}" for i in range(count)]


SHOP = _wrenches(
    *((name, Mechanism.SPRING, 100.0) for name in _names("M", 7)),
    *((name, Mechanism.SPRING, 340.0) for name in _names("L", 2)),
    *((name, Mechanism.ELECTRONIC, 20.0) for name in _names("E", 2)),
    ("X0", Mechanism.BEAM, 50.0),
)


@pytest.fixture(scope="module")
def shop() -> FleetFit:
    """Seven medium springs alone, two large springs that borrow, two electronics, one unchecked."""
    return _fit(
        SHOP,
        _readings(SHOP, _names("M", 7), (0.0, 200.0)),
        _readings(SHOP, _names("L", 2), (0.0,)),
        _readings(SHOP, _names("E", 2), (0.0, 150.0, 300.0)),
        _readings(SHOP, ["M0"], (0.0,), direction=CCW),
    )


def test_families_learn_from_their_own_or_borrow_or_rest_on_assumptions(shop: FleetFit) -> None:
    """Enough of a size: its own; else all sizes of the mechanism; else the trade's defaults."""
    told = {
        (f.direction, f.name.partition(",")[0], f.source): (
            f.histories.wrenches, f.wrenches, f.checks
        )
        for f in shop.families
    }  # fmt: skip
    assert told == {
        (CW, "spring", "family"): (tuple(_names("M", 7)), 7, 14),
        (CW, "spring", "mechanism"): (("L0", "L1"), 9, 16),
        (CW, "electronic", "defaults"): (("E0", "E1"), 2, 6),
        (CCW, "spring", "defaults"): (("M0",), 1, 1),
    }


def test_every_wrench_with_a_reading_has_one_place(shop: FleetFit) -> None:
    """And is found there."""
    for serial in (*_names("M", 7), *_names("L", 2), *_names("E", 2)):
        family, row = shop.place(serial, CW)
        assert family.histories.wrenches[row] == serial
        assert family.direction is CW
    family, row = shop.place("M0", CCW)
    assert (family.source, row) == ("defaults", 0)


@pytest.mark.parametrize(("serial", "direction"), [("X0", CW), ("M1", CCW), ("nobody", CW)])
def test_a_wrench_without_a_reading_that_way_has_no_place(
    shop: FleetFit, serial: str, direction: Direction
) -> None:
    """Says what would do."""
    with pytest.raises(NotEnoughEvidence, match="one check on a tester") as refusal:
        shop.place(serial, direction)
    assert direction.value.replace("_", "-") in refusal.value.because


def test_states_are_the_filter_s_under_every_law(shop: FleetFit) -> None:
    """Arrays of a family fit each other; a part of it is the same part of every array."""
    for family in shop.families:
        again = filter_histories(family.law, family.histories).state
        for name in ("level", "rate", "level_cov", "level_rate_cov", "rate_cov"):
            # A family of one is placed beside itself: the last digits of sums may differ.
            own, other = getattr(family.state, name), getattr(again, name)
            np.testing.assert_allclose(own, other, rtol=1e-9, atol=1e-12)
    family = shop.families[0]
    part = family.of_rows([4, 1])
    assert part.histories.wrenches == ("M4", "M1")
    np.testing.assert_array_equal(part.state.level_cov, family.state.level_cov[..., [4, 1]])
    np.testing.assert_array_equal(part.jump_evidence, family.jump_evidence[[4, 1]])


def test_the_order_of_the_rows_does_not_matter(shop: FleetFit) -> None:
    """Shuffled frames: the same families, the same most probable law up to the search's end."""
    electronics = [f"E{i}" for i in range(2)]
    own = SHOP.filter(pl.col("wrench").is_in(electronics))
    readings = _readings(SHOP, electronics, (0.0, 150.0, 300.0))
    shuffled = _fit(own.reverse(), readings.sample(fraction=1.0, shuffle=True, seed=3))
    one = next(f for f in shop.families if f.name.startswith("electronic"))
    [other] = shuffled.families
    assert other.histories.wrenches == one.histories.wrenches
    for name in ("level_sd", "rate_sd", "check_sd", "rho_pct", "alpha_pct", "level_mean"):
        np.testing.assert_allclose(
            getattr(other.mode, name), getattr(one.mode, name), rtol=0.01, atol=1e-3
        )


def test_found_and_left_on_one_day_teach_no_drift() -> None:
    """Six wrenches adjusted at their only visit are not a family that knows its drift."""
    wrenches = _wrenches(*((name, Mechanism.SPRING, 100.0) for name in _names("A", 6)))
    kinds = (CheckKind.AS_FOUND, CheckKind.AS_LEFT)
    fit = _fit(wrenches, _readings(wrenches, _names("A", 6), (0.0,), kinds=kinds, repeats=1))
    assert [family.source for family in fit.families] == ["defaults"]


def test_a_single_target_and_a_single_reading_are_enough_for_an_answer() -> None:
    """The least evidence there is."""
    wrenches = _wrenches(("A", Mechanism.DIAL, 100.0))
    fit = _fit(wrenches, _readings(wrenches, ["A"], (0.0,), targets=(0.6,), repeats=1))
    family, row = fit.place("A", CW)
    view = outlook(family.of_rows([row]), 20_365.0)
    chance = pass_probability(view, CheckPlan((0.2, 1.0), 5), np.full((1, 2), 4.0))[0]
    assert 0.05 < chance < 0.95


def test_an_empty_shop_has_no_families() -> None:
    """No wrench; or wrenches without a reading."""
    assert _fit(_wrenches()).families == ()
    assert _fit(SHOP).families == ()


@pytest.mark.parametrize(
    ("full_scale_nm", "size"),
    [(5.0, "small"), (30.0, "small"), (30.1, "medium"), (200.0, "medium"), (201.0, "large")],
)
def test_sizes_have_limits_at_30_and_200(full_scale_nm: float, size: str) -> None:
    """A limit belongs to the smaller size."""
    assert size_class(full_scale_nm) == size


@pytest.mark.parametrize(("pace_sd", "basis"), [(0.0, TimeBasis.TIME), (0.9, TimeBasis.USE)])
def test_drift_runs_with_what_the_fleet_shows(pace_sd: float, basis: TimeBasis) -> None:
    """Plain drift with time, or with a use that differs much between wrenches and visits."""
    assumed = assumption(Mechanism.SPRING)
    law = law_from_coordinates(assumed.centre[None])
    law = replace(law, rate_mean=np.array([[2.0, 0.2]]))
    recipe = Recipe(law=law, wrenches=15, visits=(4,), mpd_pct=40.0, pace_sd=pace_sd)
    histories = simulate_fleet(recipe, np.random.default_rng(1)).histories
    fit = fit_family("spring", "family", histories, histories, assumed, CW)
    assert fit.basis is basis


FAMILIES, MEMBERS = 6, 16


@cache
def _forecasts() -> list[tuple[SimulatedFleet, FamilyFit]]:
    """Six spring families made by laws drawn from the assumption, sixteen wrenches each, fitted."""
    assumed = assumption(Mechanism.SPRING)
    random = np.random.default_rng(71)
    made = []
    for _ in range(FAMILIES):
        z = random.standard_normal(len(assumed.centre))
        law = law_from_coordinates((assumed.centre + assumed.spread * z)[None])
        recipe = Recipe(
            law=law,
            wrenches=MEMBERS,
            visits=(1, 2, 4),
            mpd_pct=4.0,
            uneven=0.5,
            missing_target=0.1,
            knocks_per_year=float(law.knocks_per_year[0]),
            knock_sd=tuple(law.knock_sd[0]),
        )
        fleet = simulate_fleet(recipe, random)
        h = fleet.histories
        made.append((fleet, fit_family("spring", "family", h, h, assumed, CW)))
    return made


def test_forecast_intervals_cover_the_future_with_the_law_only_learnt() -> None:
    """One future check a year on of each of 96 wrenches at three targets.

    288 readings, three to a check: 95 % intervals hold them, to four binomial standard errors of
    the 96 checks (0.09).
    """
    random = np.random.default_rng(72)
    inside = []
    for fleet, family in _forecasts():
        view = outlook(family, last_days(family) + 365.25)
        future = future_readings(fleet, np.ones(MEMBERS), random)[:, :, 0]
        for j, x in enumerate(fleet.recipe.x):
            promised = summarise(view.reading_at(x))
            inside.append((future[:, j] >= promised.lower) & (future[:, j] <= promised.upper))
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 96))


def test_pass_probabilities_are_calibrated_with_the_law_only_learnt() -> None:
    """Half a year on: foretold chance against the share of 200 simulated futures that pass.

    The mean difference over 96 wrenches is held to four standard errors of itself, plus 0.01 for
    six families only; sorted into three groups by what was foretold, each group's shares agree to
    0.15.
    """
    random = np.random.default_rng(73)
    foretold, happened = [], []
    for fleet, family in _forecasts():
        view = outlook(family, last_days(family) + 0.5 * 365.25)
        plan = CheckPlan(fleet.recipe.x, fleet.recipe.repeats)
        foretold.append(pass_probability(view, plan, np.full((MEMBERS, 3), 4.0)))
        happened.append(share_passing(fleet, np.full(MEMBERS, 0.5), random, 200))
    chance, share = np.concatenate(foretold), np.concatenate(happened)
    difference = share - chance
    assert abs(difference.mean()) < 4 * difference.std() / np.sqrt(len(chance)) + 0.01
    order = np.argsort(chance)
    for group in np.array_split(order, 3):
        assert share[group].mean() == pytest.approx(chance[group].mean(), abs=0.15)
