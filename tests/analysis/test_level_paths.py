"""Drawn pasts of a wrench against the joint normal of its whole history, written out."""

import numpy as np
import pytest
from dense_normal import enumerate_events, joint_normal
from sample_histories import (
    Story,
    Visit,
    a_law,
    family_of,
    histories_of,
    laws_together,
    readings_at,
    z_of,
)

from analysis.level_paths import LevelPaths, draw_level_paths
from analysis.outlook import outlook
from analysis.time_basis import TimeBasis
from analysis.vocabulary import CheckKind

_RANDOM = np.random.default_rng(12)
PATHS = 8_000


def _r(targets: tuple[float, ...], centre: float = 0.0) -> list[tuple[float, float]]:
    return readings_at(_RANDOM, targets, 3, centre)


STORY = Story(
    [
        Visit(0.0, _r((0.2, 0.6, 1.0))),
        Visit(200.0, _r((0.2, 1.0), 2.0)),
        Visit(200.0, _r((0.2, 0.6, 1.0)), CheckKind.AS_LEFT),
        Visit(230.0, _r((0.2, 0.6, 1.0), 0.5)),
        Visit(260.0, _r((0.6,), 1.0)),
        Visit(300.0, _r((0.2, 0.6), 1.5)),
    ]
)


def drawn(story: Story, first: int, last: int, until: float = -np.inf, **law: object) -> LevelPaths:
    family = family_of(a_law(**law), histories_of(story))  # type: ignore[arg-type]
    return draw_level_paths(family, first, last, until, np.random.default_rng(3), PATHS)


def assert_moments(paths: LevelPaths, mean: np.ndarray, cov: np.ndarray) -> None:
    """Means and covariances over the paths, of all days with all days, to five standard errors."""
    flat = paths.level[0].reshape(PATHS, -1)
    away = flat.mean(axis=0) - mean
    assert np.abs(away / np.sqrt(np.diag(cov) / PATHS)).max() < 5
    variance = np.diag(cov)
    error = np.sqrt((np.outer(variance, variance) + cov**2) / PATHS)
    assert np.abs((np.cov(flat.T) - cov) / error).max() < 5


@pytest.mark.parametrize(("first", "last"), [(3, 4), (3, 5), (2, 5)])
def test_paths_have_the_joint_distribution_of_the_levels(first: int, last: int) -> None:
    """Every day with every other, with checks within, before and after the stretch."""
    paths = drawn(STORY, first, last)
    assert paths.day[0] == STORY.visits[first].day
    assert paths.day[-1] == STORY.visits[last].day
    mean, cov = joint_normal(a_law(), STORY, tuple(paths.day)).posterior()
    some = np.unique(np.linspace(0, len(paths.day) - 1, 9).astype(int))
    index = np.concatenate([[2 * t, 2 * t + 1] for t in some])
    thinned = LevelPaths(paths.law, paths.day[some], paths.level[:, :, some])
    assert_moments(thinned, mean[index], cov[np.ix_(index, index)])


def test_paths_stop_at_what_a_check_found_before_the_adjustment() -> None:
    """As found on day 200, with the check as left at the same instant after it."""
    paths = drawn(STORY, 0, 1)
    # In the joint normal a day just before the instant sees no adjustment.
    days = (*paths.day[:-1].tolist(), 200.0 - 1e-7)
    mean, cov = joint_normal(a_law(), STORY, days).posterior()
    some = np.array([0, 100, 199, 200])
    index = np.concatenate([[2 * t, 2 * t + 1] for t in some])
    thinned = LevelPaths(paths.law, paths.day[some], paths.level[:, :, some])
    assert_moments(thinned, mean[index], cov[np.ix_(index, index)])


def test_paths_beyond_the_last_check_are_the_outlook() -> None:
    """Level a year on: normal mean and covariance as forecast; the way there is wander as well."""
    family = family_of(a_law(), histories_of(STORY))
    paths = drawn(STORY, 5, 5, 665.0)
    assert paths.day[-1] == 665.0
    ahead = outlook(family, 665.0, of_a_check=False)
    flat = LevelPaths(paths.law, paths.day[-1:], paths.level[:, :, -1:])
    assert_moments(flat, ahead.mean[0, 0], ahead.cov[0, 0])


def test_drift_with_use_carries_the_doubt_about_use_to_come() -> None:
    story = Story(
        [
            Visit(v.day, v.readings, v.kind, cycles=c)
            for v, c in zip(STORY.visits, (0.0, 900, 900, 1000, 1200, 1600), strict=True)
        ]
    )
    family = family_of(a_law(), histories_of(story), TimeBasis.USE, 2000.0)
    paths = draw_level_paths(family, 5, 5, 665.0, np.random.default_rng(3), PATHS)
    ahead = outlook(family, 665.0, of_a_check=False)
    flat = LevelPaths(paths.law, paths.day[-1:], paths.level[:, :, -1:])
    assert family.clock_sd_per_year[0] > 0
    mean, cov = ahead.mean[0, 0], ahead.cov[0, 0]
    level = flat.level[0, :, 0]
    assert (np.abs(level.mean(axis=0) - mean) < 5 * np.sqrt(np.diag(cov) / PATHS)).all()
    # A product of two normals is no normal: only the moments agree.
    np.testing.assert_allclose(np.cov(level.T), cov, rtol=0.08, atol=0.004)


def test_each_law_has_its_own_paths() -> None:
    laws = laws_together(a_law(), a_law(wander_sd=(0.05, 0.01)))
    family = family_of(laws, histories_of(STORY))
    paths = draw_level_paths(family, 3, 5, -np.inf, np.random.default_rng(3), 4000)
    rough, smooth = np.abs(np.diff(paths.level[..., 0], axis=2)).mean(axis=(1, 2))
    assert smooth < 0.3 * rough


def test_a_certain_jump_falls_evenly_over_its_stretch() -> None:
    """Between checks that say 0 and 6 %: a path climbs at once, on any day as likely."""
    story = Story(
        [
            Visit(0.0, [(x, 0.0) for x in (0.2, 1.0) for _ in range(5)]),
            Visit(100.0, [(x, 6.0) for x in (0.2, 1.0) for _ in range(5)], jumped=True),
        ]
    )
    quiet = {"wander_sd": (0.02, 0.002), "rate_sd": (0.01, 0.001), "rate_mean": (0.0, 0.0)}
    paths = drawn(story, 0, 1, check_sd=(0.05, 0.005), rho_pct=0.1, alpha_pct=0.01, **quiet)
    gain = paths.level[0, :, :, 0]
    high = gain > gain[:, -1:] / 2
    assert (high.sum(axis=1) + high.argmax(axis=1) == len(paths.day)).mean() > 0.99
    climbed = paths.day[high.argmax(axis=1)]
    # Evenly over a hundred days: mean 50.5 on the grid, SD 28.9.
    assert climbed.mean() == pytest.approx(50.5, abs=5 * 28.9 / np.sqrt(PATHS))
    assert climbed.std() == pytest.approx(28.9, rel=0.03)


def test_knocks_that_may_have_come_are_near_all_their_combinations() -> None:
    """Against every combination of events followed exactly, to 0.3 of a standard deviation.

    The merging of the filter's branches is the approximation.
    """
    story = Story([Visit(180.0 * i, _r((0.2, 0.6, 1.0), c)) for i, c in enumerate((0, 0.2, 4, 4))])
    law = {"knocks_per_year": 0.1, "stray_share": 0.05, "knock_ratio": 2.0}
    paths = drawn(story, 0, 3, **law)
    checks = [0, 180, 360, 540]
    at = [int(np.searchsorted(paths.day, day)) for day in checks]
    exact = enumerate_events(a_law(**law), story, tuple(float(day) for day in checks))
    flat = paths.level[0][:, at].reshape(PATHS, -1)
    sd = np.sqrt(np.diag(exact.cov))[:8]
    assert (np.abs(flat.mean(axis=0) - exact.mean[:8]) < 0.3 * sd).all()


def test_paths_that_end_before_they_begin_are_refused() -> None:
    with pytest.raises(ValueError, match="before they begin"):
        drawn(STORY, 3, 2)


def test_the_level_at_a_place_is_gain_and_offset_together() -> None:
    """A guard for the shape: T days by two, at x the offset counts 1 / x."""
    paths = drawn(STORY, 3, 4)
    assert paths.level.shape == (1, PATHS, 31, 2)
    assert (paths.level @ z_of(0.5)).shape == (1, PATHS, 31)
