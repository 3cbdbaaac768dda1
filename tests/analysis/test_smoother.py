"""Where a wrench stood at any time, against the conditional normal of the whole history."""

from collections.abc import Sequence

import numpy as np
import pytest
from dense_normal import enumerate_events, joint_normal
from sample_histories import (
    Story,
    Visit,
    a_gain_only_law,
    a_law,
    histories_of,
    laws_together,
    readings_at,
)

from analysis.error_law import DAYS_PER_YEAR
from analysis.history_filter import filter_histories
from analysis.smoother import smooth
from analysis.time_basis import TimeBasis, clock_on, with_clock
from analysis.vocabulary import CheckKind

LEFT = CheckKind.AS_LEFT
_RANDOM = np.random.default_rng(8)


def _r(targets: tuple[float, ...], centre: float = 0.0) -> list[tuple[float, float]]:
    return readings_at(_RANDOM, targets, 3, centre)


def _years(story: Story, days: Sequence[float]) -> np.ndarray:
    """The clock of a drift that runs with time."""
    return (np.array(days) - story.visits[0].day) / DAYS_PER_YEAR


STORIES = [
    Story([Visit(50.0, _r((0.2, 1.0)))], name="one check"),
    Story([Visit(d, _r((0.4,))) for d in (0.0, 100.0, 130.0, 400.0)], name="one target"),
    Story(
        [
            Visit(0.0, _r((0.2, 0.6, 1.0))),
            Visit(200.0, _r((0.2, 1.0), 3.0)),
            Visit(200.0, _r((0.2, 0.6, 1.0)), LEFT),
            Visit(420.0, _r((0.2, 0.6, 1.0), 1.0)),
            Visit(600.0, _r((0.6,), 5.0), jumped=True),
            Visit(650.0, _r((0.2, 0.6), 5.0)),
        ],
        name="adjusted and jumped",
    ),
]


@pytest.mark.parametrize("story", STORIES, ids=[s.name for s in STORIES])
def test_smoothed_levels_are_the_conditional_normal(story: Story) -> None:
    """Between, on, and after the checks, adjustment and certain jump included."""
    law = a_law()
    first, last = story.visits[0].day, story.visits[-1].day
    days = tuple(
        sorted({first, *np.linspace(first, last + 300.0, 23), *(v.day for v in story.visits)})
    )
    smoothed = smooth(law, histories_of(story), np.array(days), _years(story, days))
    mean, cov = joint_normal(law, story, days).posterior()
    for t in range(len(days)):
        part = slice(2 * t, 2 * t + 2)
        np.testing.assert_allclose(smoothed.level[0, t], mean[part], atol=1e-9)
        np.testing.assert_allclose(smoothed.level_cov[0, t], cov[part, part], atol=1e-9)


@pytest.mark.parametrize("basis", [TimeBasis.USE, TimeBasis.LOG_TIME])
def test_the_clock_of_a_basis_moves_the_drift(basis: TimeBasis) -> None:
    """Drift that runs with use or with the logarithm of time: the same normal on that clock."""
    counts = (0.0, 1500.0, 1500.0, 2000.0, 6000.0, 6100.0)
    story = Story(
        [
            Visit(v.day, v.readings, v.kind, v.jumped, cycles)
            for v, cycles in zip(STORIES[2].visits, counts, strict=True)
        ]
    )
    law = a_law()
    history = with_clock(histories_of(story), basis, 2000.0)
    days = np.array([0.0, 70.0, 200.0, 310.0, 600.0, 650.0, 900.0])
    ticks = clock_on(history, basis, 2000.0, days)
    smoothed = smooth(law, history, days, ticks)
    known = dict(zip(days.tolist(), ticks.tolist(), strict=True))
    known |= dict(zip(history.day[0].tolist(), history.clock[0].tolist(), strict=True))
    mean, cov = joint_normal(law, story, tuple(days), clock=known.__getitem__).posterior()
    np.testing.assert_allclose(smoothed.level[0].ravel(), mean[: 2 * len(days)], atol=1e-9)
    for t in range(len(days)):
        part = slice(2 * t, 2 * t + 2)
        np.testing.assert_allclose(smoothed.level_cov[0, t], cov[part, part], atol=1e-9)


def test_each_law_is_smoothed_as_if_alone() -> None:
    """K laws at once."""
    laws = [a_law(), a_law(rho_pct=0.9, wander_sd=(0.1, 0.2))]
    history = histories_of(STORIES[2])
    days = np.array([10.0, 250.0, 700.0])
    together = smooth(laws_together(*laws), history, days, days / DAYS_PER_YEAR)
    for k, law in enumerate(laws):
        alone = smooth(law, history, days, days / DAYS_PER_YEAR)
        np.testing.assert_allclose(together.level[k], alone.level[0], rtol=1e-11)
        np.testing.assert_allclose(together.level_cov[k], alone.level_cov[0], rtol=1e-9)


def test_after_the_last_check_smoothing_is_the_filter_s_answer() -> None:
    """Nothing lies ahead to learn from."""
    law, history = a_law(), histories_of(STORIES[2])
    last = history.day[0, [-1]]
    smoothed = smooth(law, history, last, history.clock[0, [-1]])
    state = filter_histories(law, history).state
    np.testing.assert_allclose(smoothed.level[0, 0], state.level[:, 0, 0], atol=1e-12)
    np.testing.assert_allclose(smoothed.level_cov[0, 0], state.level_cov[:, :, 0, 0], atol=1e-12)


def test_a_wandering_level_agrees_with_statsmodels() -> None:
    """Local level with known variances: statsmodels' own filter and smoother, to 1e-6."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    random = np.random.default_rng(4)
    level = np.cumsum(random.normal(0.0, 0.7, 30))
    observed = level + random.normal(0.0, 1.2, 30)
    story = Story([Visit(DAYS_PER_YEAR * i, [(1.0, float(d))]) for i, d in enumerate(observed)])
    law = a_gain_only_law(level_mean=0.5, level_sd=2.0, wander_sd=0.7, rho_pct=1.2)
    years = np.arange(30.0)
    smoothed = smooth(law, histories_of(story), years * DAYS_PER_YEAR, years)
    model = UnobservedComponents(observed, "llevel")
    model.ssm.initialize_known(np.array([0.5]), np.array([[4.0]]))
    reference = model.smooth([1.2**2, 0.7**2])
    np.testing.assert_allclose(smoothed.level[0, :, 0], reference.smoothed_state[0], atol=1e-6)
    variance = reference.smoothed_state_cov[0, 0]
    np.testing.assert_allclose(smoothed.level_cov[0, :, 0, 0], variance, atol=1e-6)


@pytest.mark.parametrize("size", [0.0, 4.0])
def test_uncertain_events_keep_the_smoothed_level_near_the_exact_one(size: float) -> None:
    """All combinations of knocks and strays over five checks, a real knock in one of two cases.

    Events enter by the probabilities that the filter gave them, without what later checks say about
    them: an approximation, held to 0.8 of a posterior SD.
    """
    centres = np.array([0.2, -0.1, 0.3, 0.0, 0.2]) + size * np.array([0, 0, 0, 1, 1])
    story = Story(
        [Visit(180.0 * i, _r((0.2, 0.6, 1.0), c)) for i, c in enumerate(centres.tolist())]
    )
    law = a_law(knocks_per_year=0.1, stray_share=0.05, knock_ratio=2.0)
    days = np.array([0.0, 270.0, 360.0, 540.0, 900.0])
    smoothed = smooth(law, histories_of(story), days, days / DAYS_PER_YEAR)
    exact = enumerate_events(law, story, tuple(days))
    # Beyond the last check a knock yet to come is the outlook's matter, not the smoother's.
    sd = np.sqrt(np.diag(exact.cov))[: 2 * len(days)]
    away = np.abs(smoothed.level[0].ravel() - exact.mean[: 2 * len(days)])
    assert (away < 0.8 * sd).all()


def test_a_day_before_the_first_check_is_refused() -> None:
    """Before the first check nothing is known of the wrench."""
    with pytest.raises(ValueError, match="before the first check"):
        smooth(a_law(), histories_of(STORIES[0]), np.array([49.0, 60.0]), np.array([0.0, 0.1]))
