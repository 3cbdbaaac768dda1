"""Simulated fleets have the truth that their recipe states."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from sample_histories import a_law

from analysis.error_law import DAYS_PER_YEAR
from analysis.simulate import (
    Recipe,
    SimulatedFleet,
    future_readings,
    share_passing,
    simulate_fleet,
)

N = 6000
WIDE = 1e9  # a limit beyond which nobody adjusts


def _fleet(seed: int = 1, **changes: Any) -> SimulatedFleet:
    recipe = Recipe(**{"law": a_law(), "wrenches": N, "visits": (3,), "mpd_pct": WIDE} | changes)
    return simulate_fleet(recipe, np.random.default_rng(seed))


def _near(values: np.ndarray, mean: float, sd: float) -> None:
    """Mean and SD within four standard errors of the stated ones (normal samples)."""
    n = values.size
    assert values.mean() == pytest.approx(mean, abs=4 * sd / np.sqrt(n))
    assert values.std() == pytest.approx(sd, rel=4 / np.sqrt(2 * n))


def test_first_checks_scatter_as_the_law_says() -> None:
    """Mean deviation at a target: level, check effect, and the scatter of five readings."""
    law, fleet = a_law(), _fleet()
    for j, x in enumerate(fleet.recipe.x):
        z2 = np.array([1.0, 1.0 / x**2])
        variance = (law.level_sd[0] ** 2 + law.check_sd[0] ** 2) @ z2
        variance += law.scatter_variance(np.array(x))[0] / 5
        _near(fleet.histories.mean_pct[:, 0, j], 0.4 - 0.07 / x, np.sqrt(variance))
        within = fleet.histories.squares[:, :, j] / 4
        expected = law.scatter_variance(np.array(x))[0]
        assert within.mean() == pytest.approx(expected, rel=4 * np.sqrt(2 / (4 * within.size)))


def test_levels_move_by_drift_and_wander() -> None:
    """A year apart: rate of the wrench plus wander; the final level and rate are handed out."""
    law, fleet = a_law(), _fleet(visits=(3,), years_between=0.5)
    for part in range(2):
        rate_sd, wander = law.rate_sd[0, part], law.wander_sd[0, part]
        _near(fleet.rate[:, part], law.rate_mean[0, part], rate_sd)
        spread = np.sqrt(law.level_sd[0, part] ** 2 + rate_sd**2 + wander**2)
        _near(fleet.level[:, part], law.level_mean[0, part] + law.rate_mean[0, part], spread)
    later = fleet.histories.mean_pct[:, 2] - fleet.histories.mean_pct[:, 0]
    z2 = np.array([1.0, 1.0])
    moved = (law.rate_sd[0] ** 2 + law.wander_sd[0] ** 2 + 2 * law.check_sd[0] ** 2) @ z2
    moved += 2 * law.scatter_variance(np.array(1.0))[0] / 5
    _near(later[:, 2], 0.35, np.sqrt(moved))


def test_a_wrench_beyond_its_share_of_the_limit_is_adjusted() -> None:
    """Exactly those; the as-left check follows at the same instant from the law of adjustments."""
    fleet = _fleet(mpd_pct=3.0, adjust_beyond=0.75, visits=(1,))
    h = fleet.histories
    beyond = (np.abs(h.mean_pct[:, 0]) > 2.25).any(axis=1)
    np.testing.assert_array_equal(h.adjusted[:, 1], beyond)
    np.testing.assert_array_equal(h.present[:, 1], beyond)
    np.testing.assert_array_equal(h.year[:, 1], 0.0)
    law = a_law()
    for part in range(2):
        _near(fleet.level[beyond, part], law.adjusted_mean[0, part], law.adjusted_sd[0, part])


def test_visits_in_turn_end_together_and_start_at_zero() -> None:
    """Wrench by wrench one and three visits, half a year apart; padding stands still."""
    h = _fleet(wrenches=4, visits=(1, 3)).histories
    assert h.present.sum(axis=1).tolist() == [1, 3, 1, 3]
    np.testing.assert_allclose(h.year[1], [0.0, 0.5, 1.0])
    np.testing.assert_array_equal(h.year[0], 0.0)
    np.testing.assert_allclose(h.day, h.year * DAYS_PER_YEAR)
    assert [len(names) for names in h.checks] == [1, 3, 1, 3]
    assert (h.count[~h.present] == 0).all()
    assert (h.x[~h.present] == 1).all()


def test_uneven_gaps_keep_their_mean_and_never_turn_back() -> None:
    """From a twentieth of the mean to nearly twice."""
    h = _fleet(uneven=1.0, visits=(4,)).histories
    gaps = np.diff(h.year, axis=1)
    assert (gaps > 0).all()
    assert gaps.min() >= 0.5 * 0.05 - 1e-12
    assert gaps.max() <= 0.5 * 1.95 + 1e-12
    assert gaps.mean() == pytest.approx(0.5, abs=0.01)


def test_missing_targets_are_missing_but_never_all() -> None:
    """A target left out has no count; a check without any would be none."""
    h = _fleet(missing_target=0.4).histories
    measured = h.count > 0
    assert measured[h.present].any(axis=-1).all()
    # All three left out (0.064) counts as none left out.
    assert measured[h.present].mean() == pytest.approx(1 - 0.4 + 0.4**3, abs=0.01)
    assert (h.mean_pct[~measured] == 0).all()
    assert (h.x[~measured] == 1).all()


def test_knocks_widen_the_levels_by_their_number_and_size() -> None:
    """Poisson many, each normal: variance rate x time x size² more than without."""
    knocks = {"knocks_per_year": 0.5, "knock_sd": (2.0, 0.3)}
    wide, plain = _fleet(**knocks, visits=(3,)), _fleet(seed=2, visits=(3,))
    for part, size in enumerate((2.0, 0.3)):
        more = wide.level[:, part].var() - plain.level[:, part].var()
        assert more == pytest.approx(0.5 * 1.0 * size**2, rel=0.25)


def test_drift_by_use_has_mean_pace_one_and_counts_its_cycles() -> None:
    """Paces are log-normal about one; counts never fall and grow with the drift that ran."""
    fleet = _fleet(pace_sd=0.4, visits=(3,))
    assert fleet.pace.mean() == pytest.approx(1.0, abs=4 * 0.42 / np.sqrt(N))
    assert np.log(fleet.pace).std() == pytest.approx(0.4, rel=4 / np.sqrt(2 * N))
    h = fleet.histories
    assert (np.diff(h.cycles, axis=1) >= 0).all()
    ran = h.cycles[:, 2] / (2000.0 * h.year[:, 2])
    assert np.corrcoef(ran, fleet.pace)[0, 1] > 0.9
    still = _fleet(visits=(3,))
    np.testing.assert_allclose(still.histories.cycles[:, 2], 2000.0)


def test_heavy_tails_keep_the_variance_and_widen_the_ends() -> None:
    """Student's t scaled to unit variance, for check effects and scatter; levels all alike."""
    law = replace(a_law(), level_sd=np.full((1, 2), 1e-6))
    sd = np.sqrt((law.check_sd[0] ** 2).sum() + law.scatter_variance(np.array(1.0))[0])
    far = {}
    for df in (None, 5.0):
        top = _fleet(law=law, repeats=1, visits=(1,), tail_df=df).histories.mean_pct[:, 0, 2]
        assert top.std() == pytest.approx(sd, rel=0.05)
        far[df] = (np.abs(top - top.mean()) > 3.5 * sd).mean()
    assert far[5.0] > 3 * far[None]
    assert far[5.0] > 0.001


def test_the_future_goes_on_from_the_final_levels() -> None:
    """Future readings are level, drift, wander, check effect and scatter, all drawn anew."""
    law = a_law()
    fleet = _fleet(visits=(2,))
    random = np.random.default_rng(3)
    ahead = future_readings(fleet, np.full(N, 2.0), random)
    assert ahead.shape == (N, 3, 5)
    expected = fleet.level + 2.0 * fleet.rate
    for j, x in enumerate(fleet.recipe.x):
        z = np.array([1.0, 1.0 / x])
        variance = (2.0 * law.wander_sd[0] ** 2 + law.check_sd[0] ** 2) @ z**2
        variance += law.scatter_variance(np.array(x))[0]
        _near(ahead[:, j, 0] - expected @ z, 0.0, np.sqrt(variance))


def test_the_share_passing_counts_checks_with_every_reading_inside() -> None:
    """Certain to pass, certain to fail, and a share between."""
    random = np.random.default_rng(4)
    assert (share_passing(_fleet(wrenches=20), np.ones(20), random, 5) == 1.0).all()
    tight = _fleet(wrenches=20, mpd_pct=1e-6)
    assert (share_passing(tight, np.ones(20), random, 5) == 0.0).all()
    between = _fleet(wrenches=200, mpd_pct=3.0)
    share = share_passing(between, np.ones(200), random, 40)
    by_hand = np.mean(
        [
            (np.abs(future_readings(between, np.ones(200), random)) <= 3.0).all(axis=(1, 2))
            for _ in range(40)
        ],
        axis=0,
    )
    assert 0.05 < share.mean() < 0.95
    assert share.mean() == pytest.approx(by_hand.mean(), abs=0.03)


def test_one_seed_gives_one_fleet() -> None:
    """A study can be repeated; another seed is another fleet."""
    one, again, other = (_fleet(seed=s, wrenches=5).histories for s in (8, 8, 9))
    np.testing.assert_array_equal(one.mean_pct, again.mean_pct)
    assert not np.array_equal(one.mean_pct, other.mean_pct)
