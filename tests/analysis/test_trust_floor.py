"""Where trust begins: of a mechanism against closed forms, of a wrench against its pull risk."""

from dataclasses import replace

import numpy as np
import pytest
from range_fleets import Bench, frames
from scipy.stats import norm

from analysis.deviation import with_deviations
from analysis.due import DuePolicy
from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.fleet import fit_fleet
from analysis.range_error import ErrorCurve
from analysis.shop import Shop, ShopRules, foreseen_of_wrench, risk_of_pull, shop_of
from analysis.trust_floor import (
    capability,
    floor_by_capability,
    floor_by_risk,
    outside_share,
    trusted_window,
    trusted_windows,
)
from analysis.variance_curve import VarianceCurve
from analysis.vocabulary import Direction
from analysis.wrench_range import Tolerance

FOUR = Tolerance(4.0, of_full_scale=False)
CW = Direction.CLOCKWISE


def curve(a: float, b: float, mean: tuple[float, float] = (0.0, 0.0), doubt: float = 1e-4):
    """V = a + b / x² from a tenth of full scale on."""
    ends = np.array([a + b / 0.01, a + b])
    covariance = doubt * np.diag([1.0, 1.0, *ends**2])
    return ErrorCurve(
        np.array(mean), VarianceCurve(0.1, ends, covariance[2:, 2:], 30.0), covariance
    )


def test_the_share_outside_is_that_of_a_normal_distribution() -> None:
    found = outside_share(curve(0.5, 0.1, (0.3, 0.2)), np.array([0.2, 1.0]), {FOUR: 1})
    for share, mean, sd in zip(found, (1.3, 0.5), np.sqrt([3.0, 0.6]), strict=True):
        assert share == pytest.approx(norm.cdf(-4, mean, sd) + norm.sf(4, mean, sd))


def test_wrenches_with_unlike_limits_count_by_their_number() -> None:
    six = Tolerance(6.0, of_full_scale=False)
    x = np.array([0.3])
    both = outside_share(curve(0.5, 0.1), x, {FOUR: 3, six: 1})
    apart = [outside_share(curve(0.5, 0.1), x, {one: 1}) for one in (FOUR, six)]
    assert both == pytest.approx(0.75 * apart[0] + 0.25 * apart[1])


def test_a_limit_in_percent_of_full_scale_is_wider_at_the_bottom() -> None:
    of_full_scale = Tolerance(4.0, of_full_scale=True)
    assert outside_share(curve(0.5, 0.1), np.array([0.2]), {of_full_scale: 1}) < 1e-6


def test_the_floor_is_where_the_tolerated_share_is_met() -> None:
    """Without bias: x = sqrt(b / ((M / z)² - a)), z the two-sided normal quantile."""
    z = norm.isf(0.01)
    exact = np.sqrt(0.1 / ((4.0 / z) ** 2 - 0.5))
    found = floor_by_risk(curve(0.5, 0.1), {FOUR: 1}, 0.02)
    assert found.floor == pytest.approx(exact, abs=0.0051)
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower <= found.floor <= found.upper


def test_the_capability_floor_is_where_three_sds_fit() -> None:
    exact = np.sqrt(0.1 / ((4.0 / 3) ** 2 - 0.5))
    found = floor_by_capability(curve(0.5, 0.1), {FOUR: 1}, 1.0)
    assert found.floor == pytest.approx(exact, abs=0.0051)
    at_floor = capability(curve(0.5, 0.1), np.array([found.floor]), {FOUR: 1})
    assert at_floor[0] >= 1.0


def test_a_mechanism_that_is_never_good_enough_has_no_floor() -> None:
    found = floor_by_risk(curve(9.0, 0.1), {FOUR: 1}, 0.02)
    assert found.floor is None
    assert found.upper is None


def test_a_mechanism_good_all_the_way_down_is_trusted_as_far_as_it_was_checked() -> None:
    found = floor_by_risk(curve(0.1, 0.0001), {FOUR: 1}, 0.02)
    assert found.floor == found.lowest_checked == pytest.approx(0.1)


@pytest.fixture(scope="module")
def shop() -> Shop:
    """Ten wrenches whose friction is too much below a quarter of full scale or so."""
    wrenches, readings, _ = frames(Bench(friction_nm=0.45, checks=3, targets=(0.1, 0.2, 0.6, 1.0)))
    deviations = with_deviations(wrenches, readings)
    rules = ShopRules(
        plan_shares=(0.2, 0.6, 1.0),
        plan_repeats=5,
        due=DuePolicy(0.95, 12, 5000, 14),
        tolerated_pull_risk=0.02,
    )
    return shop_of(fit_fleet(wrenches, deviations), wrenches, deviations, rules)


def test_a_wrench_is_trusted_where_its_pull_risk_is_tolerated(shop: Shop) -> None:
    window = trusted_window(shop, "W-0", CW, 20400.0)
    assert window.lowest is not None
    assert 0.15 < window.lowest < 0.5
    assert window.highest == 1.0
    seen = foreseen_of_wrench(shop, "W-0", CW, 20400.0)
    step = 0.9 / 60  # of the places that were looked at
    at_floor, below = (
        risk_of_pull(shop, "W-0", CW, 100 * x, seen).pull_risk
        for x in (window.lowest, window.lowest - step)
    )
    assert at_floor <= 0.02 < below
    assert window.worst_at == pytest.approx(0.1)
    assert window.worst == pytest.approx(risk_of_pull(shop, "W-0", CW, 10.0, seen).pull_risk)


def test_the_doubt_about_the_family_gives_the_floor_an_interval(shop: Shop) -> None:
    window = trusted_window(shop, "W-0", CW, 20400.0)
    assert window.floor_lower is not None
    assert window.floor_upper is not None
    assert window.floor_lower <= window.lowest <= window.floor_upper
    assert window.floor_lower < window.floor_upper


def test_one_wrench_asked_alone_has_the_same_window(shop: Shop) -> None:
    every = {window.wrench: window for window in trusted_windows(shop, 20400.0)}
    assert len(every) == 10
    alone = trusted_window(shop, "W-3", CW, 20400.0)
    assert alone.worst == pytest.approx(every["W-3"].worst)
    assert replace(alone, worst=0.0) == replace(every["W-3"], worst=0.0)


def test_the_window_shrinks_as_evidence_ages(shop: Shop) -> None:
    near, far = (trusted_window(shop, "W-0", CW, day).worst for day in (20400.0, 22000.0))
    assert far > near


def test_a_direction_without_evidence_has_no_window(shop: Shop) -> None:
    with pytest.raises(NotEnoughEvidence):
        trusted_window(shop, "W-0", Direction.COUNTER_CLOCKWISE, 20400.0)


def test_a_direction_without_tolerance_is_refused() -> None:
    wrenches, readings, _ = frames(Bench(wrenches=6))
    from polars import lit

    wrenches = wrenches.with_columns(lit(None, dtype=float).alias("mpd_ccw_pct"))
    deviations = with_deviations(wrenches, readings)
    rules = ShopRules((0.2, 1.0), 5, DuePolicy(0.95, 12, 5000, 14), 0.02)
    one = shop_of(fit_fleet(wrenches, deviations), wrenches, deviations, rules)
    with pytest.raises(OutsideRange, match="counter-clockwise"):
        trusted_window(one, "W-0", Direction.COUNTER_CLOCKWISE, 20400.0)
