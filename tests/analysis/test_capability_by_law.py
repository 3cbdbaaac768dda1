"""Capability anywhere in the range by the error law."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_wrench import wrench_frame
from sample_histories import (
    TINY,
    Story,
    Visit,
    a_law,
    deviations_frame,
    family_of,
    histories_of,
    laws_together,
    readings_at,
    z_of,
)

from analysis.arrays import Array
from analysis.capability_by_law import PlaceCapability, capability_by_law, capability_curve
from analysis.due import DuePolicy
from analysis.error_law import ErrorLaw
from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.family import FamilyFit
from analysis.fleet import FleetFit
from analysis.outlook import outlook
from analysis.risk import pull_risk
from analysis.shop import Shop, ShopRules, shop_of
from analysis.tails import Tails
from analysis.vocabulary import Direction

PLACES = np.array([0.1, 0.2, 0.45, 1.0])
LIMITS = np.full(4, 4.0)
DAY = 500.0
_RANDOM = np.random.default_rng(77)
STORY = Story(
    [Visit(d, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5, c)) for d, c in ((0.0, 0.3), (300.0, 1.0))],
    wrench="W-1",
)
LAWS = laws_together(
    *(a_law(rho_pct=r, alpha_pct=a, knocks_per_year=0.05, stray_share=0.02)
      for r, a in ((0.4, 0.08), (0.5, 0.12), (0.6, 0.1)))
)  # fmt: skip
FAMILY = family_of(LAWS, histories_of(STORY))


def asked(
    family: FamilyFit = FAMILY, places: Array = PLACES, limits: Array = LIMITS, day: float = DAY
) -> tuple[PlaceCapability, ...]:
    return capability_by_law(family, 0, places, limits, day)


def exactly_known(level: tuple[float, float], **changes: tuple[float, float] | float) -> FamilyFit:
    """A wrench whose level is beyond doubt and stands still."""
    law: ErrorLaw = a_law(
        level_mean=level,
        level_sd=(TINY, TINY),
        rate_mean=(0.0, 0.0),
        rate_sd=(TINY, TINY),
        wander_sd=(TINY, TINY),
        **changes,
    )
    return family_of(law, histories_of(Story([Visit(0.0, [(1.0, level[0] + level[1])])])))


def test_a_wrench_beyond_doubt_has_the_indices_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, SD 2: Cp 1.0, Cpk 0.6667."""
    family = exactly_known((2.0, 0.0), rho_pct=2.0, alpha_pct=TINY, check_sd=(TINY, TINY))
    (found,) = asked(family, np.array([1.0]), np.array([6.0]))
    for index, value in ((found.cp, 1.0), (found.pp, 1.0), (found.cpk, 2 / 3), (found.ppk, 2 / 3)):
        assert (index.value, index.lower) == pytest.approx((value, value), abs=1e-5)
    assert found.fraction_outside == pytest.approx(0.022782, abs=1e-6)  # Φ(-2) + Φ(-4)


def test_checks_that_differ_part_performance_from_capability() -> None:
    """Scatter 0.6 and 0.1/x, check effect 0.5 and 0.2/x, by hand at x = 0.2."""
    family = exactly_known((1.0, 0.1), rho_pct=0.6, alpha_pct=0.1, check_sd=(0.5, 0.2))
    (found,) = asked(family, np.array([0.2]), np.array([4.0]))
    assert found.deviation_pct == pytest.approx(1.5, abs=1e-5)
    assert found.within_sd_pct == pytest.approx(np.hypot(0.6, 0.5))
    assert found.overall_sd_pct == pytest.approx(np.sqrt(0.36 + 0.25 + 0.25 + 1.0), rel=1e-6)
    assert found.cpk.value == pytest.approx(2.5 / (3 * found.within_sd_pct), rel=1e-5)
    assert found.ppk.value == pytest.approx(2.5 / (3 * found.overall_sd_pct), rel=1e-5)


def test_indices_agree_with_draws_of_law_and_level() -> None:
    """200,000 draws of (law, level): median and 5 % quantile of Cpk within 0.005."""
    (found,) = asked(places=np.array([0.25]), limits=np.array([4.0]))
    view, rng, n, z = outlook(FAMILY, DAY, of_a_check=False), np.random.default_rng(3), 200_000, 4.0
    law = rng.integers(0, 3, n)
    root = np.linalg.cholesky(view.cov[:, 0])
    level = view.mean[law, 0] + np.einsum("nij,nj->ni", root[law], rng.standard_normal((n, 2)))
    knocked = rng.random(n) < view.knock_chance[law, 0]
    level += knocked[:, None] * LAWS.knock_sd[law] * rng.standard_normal((n, 2))
    d = level @ z_of(0.25)
    scatter = np.sqrt(LAWS.rho_pct[law] ** 2 + (LAWS.alpha_pct[law] * z) ** 2)
    cpk = (4.0 - np.abs(d)) / (3 * scatter)
    assert found.cpk.value == pytest.approx(np.median(cpk), abs=5e-3)
    assert found.cpk.lower == pytest.approx(np.quantile(cpk, 0.05), abs=5e-3)
    assert found.deviation_pct == pytest.approx(d.mean(), abs=0.02)


@pytest.mark.parametrize("tails", [Tails(0.0, 1.0), Tails(0.05, 3.0)])
def test_the_fraction_outside_is_the_pull_risk(tails: Tails) -> None:
    """Tails, knocks and strays in it: one number, wherever it is asked."""
    family = replace(FAMILY, tails=tails)
    for place in asked(family):
        expected = pull_risk(outlook(family, DAY), place.x, place.mpd_pct)[0]
        assert place.fraction_outside == pytest.approx(expected, rel=1e-10)
        assert place.fraction_outside_upper > place.fraction_outside


def test_the_overall_spread_is_that_of_the_next_reading() -> None:
    """Mean square over the laws of the SD of the mixture that risk integrates."""
    place = asked()[1]
    mixture = outlook(FAMILY, DAY).reading_at(place.x)
    parts = [part.reshape(-1, 3) for part in (mixture.weight, mixture.mean, mixture.variance)]
    variances = []
    for k in range(3):
        weight, mean, variance = (part[:, k] for part in parts)
        weight = weight / weight.sum()
        centre = weight @ mean
        variances.append(weight @ (variance + (mean - centre) ** 2))
    assert place.overall_sd_pct == pytest.approx(np.sqrt(np.mean(variances)), rel=1e-12)


def test_the_bottom_of_the_range_is_less_capable_where_the_law_says_so() -> None:
    found = asked()
    assert [place.cp.value for place in found] == sorted(place.cp.value for place in found)
    flat = exactly_known((0.0, 0.0), rho_pct=0.5, alpha_pct=TINY, check_sd=(0.3, TINY))
    low, *_, full = asked(flat)
    assert low.cp.value == pytest.approx(full.cp.value, rel=1e-6)
    assert low.ppk.value == pytest.approx(full.ppk.value, rel=1e-6)


def test_waiting_costs_performance_but_not_capability() -> None:
    """Doubt about the level grows with time; the scatter of a reading does not."""
    soon, late = asked(day=301.0)[1], asked(day=1500.0)[1]
    assert late.cp == soon.cp
    assert late.pp.value < soon.pp.value
    assert late.cpk.lower < soon.cpk.lower
    assert late.fraction_outside > soon.fraction_outside


@settings(max_examples=30, deadline=None)
@given(x=st.floats(0.05, 1.0), limit=st.floats(0.5, 12.0), day=st.floats(0.0, 3000.0))
def test_indices_hang_together(x: float, limit: float, day: float) -> None:
    (found,) = asked(places=np.array([x]), limits=np.array([limit]), day=day)
    for index in (found.cp, found.cpk, found.pp, found.ppk):
        assert index.lower <= index.value
    assert found.cpk.value <= found.cp.value + 1e-9
    assert found.ppk.value <= found.pp.value + 1e-9
    assert found.pp.value < found.cp.value
    assert 0.0 <= found.fraction_outside <= 1.0


def a_shop(**wrench: float | None) -> Shop:
    fit = FleetFit(families=(FAMILY,), places={("W-1", Direction.CLOCKWISE): (0, 0)})
    frame = deviations_frame([STORY])
    due = DuePolicy(reliability_target=0.95, cap_months=12, cap_cycles=5000, floor_days=14)
    rules = ShopRules(
        plan_shares=(0.2, 0.6, 1.0), plan_repeats=5, due=due, tolerated_pull_risk=0.05
    )
    return shop_of(fit, wrench_frame(**wrench), frame, rules)


def test_the_curve_runs_over_the_marked_range_with_its_own_limits() -> None:
    """10 to 100 N·m, ±1 % of full scale: the limit at x is 1 / x percent of reading."""
    curve = capability_curve(
        a_shop(mpd_cw_pct=1.0, mpd_cw_of_full_scale=True), "W-1", Direction.CLOCKWISE, DAY
    )
    places = [place.x for place in curve]
    assert places == sorted(places)
    assert (places[0], places[-1]) == (0.1, 1.0)
    assert {0.2, 0.6} < set(places)
    assert [place.mpd_pct for place in curve] == pytest.approx([1.0 / x for x in places])


def test_the_curve_needs_a_tolerance_and_evidence() -> None:
    with pytest.raises(OutsideRange, match="no stated tolerance"):
        capability_curve(a_shop(), "W-1", Direction.COUNTER_CLOCKWISE, DAY)
    with pytest.raises(NotEnoughEvidence, match="counter-clockwise reading"):
        capability_curve(
            a_shop(mpd_ccw_pct=6.0, mpd_ccw_of_full_scale=False),
            "W-1",
            Direction.COUNTER_CLOCKWISE,
            DAY,
        )
