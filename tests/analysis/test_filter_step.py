"""The quick filter against the same steps written with matrices, branch by branch."""

import numpy as np
import pytest
from sample_histories import Story, Visit, histories_of, readings_at

from analysis.arrays import Array
from analysis.check_statistics import CheckStatistics, check_statistics
from analysis.error_law import STRAY_FACTOR, ErrorLaw, assumption, law_from_coordinates
from analysis.history import Histories
from analysis.history_filter import Filtered, Prepared, filter_histories
from analysis.simulate import Recipe, simulate_fleet
from analysis.state_filter import (
    State,
    advance,
    branched,
    check_information,
    initial_state,
    merged,
    observe,
    pair,
    reset_level,
)
from analysis.vocabulary import CheckKind, Mechanism

ASSUMED = assumption(Mechanism.SPRING)
PARTS = ("level", "rate", "level_cov", "level_rate_cov", "rate_cov")


def _laws(count: int, seed: int, width: float = 1.0) -> ErrorLaw:
    """Laws drawn from what is assumed, the first without events, the second without knocks."""
    z = width * np.random.default_rng(seed).standard_normal((count, len(ASSUMED.centre)))
    law = law_from_coordinates(ASSUMED.centre + ASSUMED.spread * z)
    law.knocks_per_year[:2] = 0.0
    law.stray_share[0] = 0.0
    law.knocks_per_year[2:] *= 100.0
    law.stray_share[1:] *= 20.0
    law.stray_share[:] = np.minimum(law.stray_share, 0.4)
    return law


def _fleet(law: ErrorLaw, wrenches: int, seed: int) -> Histories:
    """Adjusted, targets missing, knocked, of different lengths; three marked as jumped."""
    recipe = Recipe(
        law=law.take(slice(2, 3)),
        wrenches=wrenches,
        visits=(1, 3, 6, 9),
        mpd_pct=4.0,
        adjust_beyond=1.0,
        missing_target=0.3,
        uneven=0.6,
        knocks_per_year=0.3,
        knock_sd=(2.0, 0.3),
    )
    histories = simulate_fleet(recipe, np.random.default_rng(seed)).histories
    histories.jumped[:3, 2] = histories.present[:3, 2] & ~histories.adjusted[:3, 2]
    return histories


def _step_by_step(law: ErrorLaw, histories: Histories) -> tuple[Array, State, Array, Array]:
    """Log likelihood, last state, chances of knocks and of stray checks."""
    said = check_information(law, histories)
    state = initial_state(law, histories.size)
    check, knock_variance = pair(law.check_sd**2), pair(law.knock_sd**2)
    effect = np.stack([check, check, STRAY_FACTOR**2 * check], axis=1)
    likelihood = said.constant.sum(-1)
    knocked, astray = np.zeros_like(said.constant), np.zeros_like(said.constant)
    stray = law.stray_share[:, None]
    for c in range(said.constant.shape[2]):
        years = np.zeros(histories.size)
        if c:
            years = histories.year[:, c] - histories.year[:, c - 1]
            state = advance(state, law, years, histories.clock[:, c] - histories.clock[:, c - 1])
            state = reset_level(state, law, histories.adjusted[:, c])
        knock = np.where(histories.adjusted[:, c], 0.0, law.knock_chance(years))
        knock = np.where(histories.jumped[:, c], 1.0, knock)
        h, information = said.h[:, None, ..., c], said.H[:, :, None, ..., c]
        branches, fits = observe(branched(state, knock_variance), effect, h, information)
        prior = np.stack([(1 - knock) * (1 - stray), knock, (1 - knock) * stray])
        fits = np.where(prior > 0, fits, -np.inf)
        top = fits.max(axis=0)
        joint = prior * np.exp(fits - top)
        weights = joint / joint.sum(axis=0)
        state = merged(branches, weights)
        likelihood = likelihood + top + np.log(joint.sum(axis=0))
        knocked[:, :, c], astray[:, :, c] = weights[1], weights[2]
    return likelihood, state, knocked, astray


def _agree(found: Filtered, expected: tuple[Array, State, Array, Array], within: float) -> None:
    likelihood, state, knocked, astray = expected
    np.testing.assert_allclose(found.log_likelihood, likelihood, rtol=within, atol=within)
    np.testing.assert_allclose(found.knocked, knocked, atol=within)
    np.testing.assert_allclose(found.astray, astray, atol=within)
    for name in PARTS:
        got, wanted = getattr(found.state, name), getattr(state, name)
        np.testing.assert_allclose(got, wanted, rtol=within, atol=within)


@pytest.mark.parametrize("seed", range(4))
def test_the_quick_steps_are_the_merged_branches(seed: int) -> None:
    """12 laws by 60 wrenches with everything that may happen to them: equal to rounding."""
    laws = _laws(12, seed, width=0.5)
    histories = _fleet(laws, 60, seed)
    _agree(filter_histories(laws, histories), _step_by_step(laws, histories), 1e-10)


@pytest.mark.parametrize("only", [0, 1, 2], ids=["no events", "strays only", "knocks and strays"])
def test_events_that_cannot_happen_are_left_out(only: int) -> None:
    """A law by itself takes the shortest way through; in a batch with others the longest."""
    laws = _laws(3, 7, width=0.3)
    histories = _fleet(laws, 20, 3)
    alone = laws.take(slice(only, only + 1))
    _agree(filter_histories(alone, histories), _step_by_step(alone, histories), 1e-10)


def test_absurd_readings_keep_the_steps_equal() -> None:
    """Deviations of thousands of percent, one target, hardly any scatter: relative to 1e-7."""
    random = np.random.default_rng(5)
    stories = [
        Story([Visit(0.0, [(0.2, 5000.0), (1.0, -90.0)]), Visit(90.0, [(0.2, -99.0)])], wrench="A"),
        Story(
            [
                Visit(0.0, readings_at(random, (0.01, 1.0), 5, 30.0)),
                Visit(9000.0, readings_at(random, (0.01,), 5, -30.0), CheckKind.AS_LEFT),
                Visit(9001.0, readings_at(random, (0.01, 0.5), 9, 80.0)),
            ],
            wrench="B",
        ),
    ]
    laws = _laws(8, 9)
    laws.rho_pct[3:] = 0.01
    histories = histories_of(*stories)
    found, (likelihood, state, _, _) = (
        filter_histories(laws, histories),
        _step_by_step(laws, histories),
    )
    np.testing.assert_allclose(found.log_likelihood, likelihood, rtol=1e-9)
    for name in PARTS:
        scale = np.abs(getattr(state, name)).max()
        np.testing.assert_allclose(
            getattr(found.state, name), getattr(state, name), rtol=1e-7, atol=1e-9 * scale
        )


def test_what_is_not_asked_for_is_left_empty_and_changes_nothing() -> None:
    """Prepared once or on the way, with or without events and surprises: the same numbers."""
    laws = _laws(4, 2, width=0.5)
    histories = _fleet(laws, 10, 2)
    whole = filter_histories(laws, histories, surprises=True)
    short = filter_histories(laws, Prepared.of(histories), events=False)
    np.testing.assert_array_equal(short.log_likelihood, whole.log_likelihood)
    np.testing.assert_array_equal(short.state.level_cov, whole.state.level_cov)
    assert short.knocked.size == short.astray.size == short.surprise.size == 0


def test_wrenches_a_few_at_a_time_are_all_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """In parts that fit the cache, put together in their order."""
    laws = _laws(4, 2, width=0.5)
    histories = _fleet(laws, 10, 2)
    whole = filter_histories(laws, histories, surprises=True)
    monkeypatch.setattr("analysis.history_filter.CELLS_AT_ONCE", 12)
    parts = filter_histories(laws, histories, surprises=True)
    for name in ("log_likelihood", "knocked", "astray", "surprise", "surprise_df"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=1e-12)
    for name in PARTS:
        got, wanted = getattr(parts.state, name), getattr(whole.state, name)
        np.testing.assert_allclose(got, wanted, rtol=1e-11, atol=1e-13)


def _says_as_written(statistics: CheckStatistics, laws: ErrorLaw, histories: Histories) -> None:
    written = check_information(laws, histories)
    (h00, h01), (_, h11) = written.H
    expected = np.stack([*written.h, h00, h01, h11])
    weights = statistics.weights(laws)
    for c in range(histories.present.shape[1]):
        np.testing.assert_allclose(
            statistics.said(weights, c), expected[..., c], rtol=1e-12, atol=1e-9
        )
    np.testing.assert_allclose(statistics.constant(laws), written.constant.sum(-1), rtol=1e-12)


def test_sums_at_few_places_and_target_by_target_are_those_written_out() -> None:
    """Three places of a fleet checked alike; then every check at places of its own."""
    laws = _laws(5, 4, width=0.5)
    alike = _fleet(laws, 30, 4)
    random = np.random.default_rng(6)
    apart = histories_of(
        *(
            Story(
                [
                    Visit(80.0 * c, readings_at(random, tuple(random.uniform(0.1, 1.0, 1 + c)), 2))
                    for c in range(3)
                ],
                wrench=f"U-{i}",
            )
            for i in range(6)
        )
    )
    forms = [type(check_statistics(histories)) for histories in (alike, apart)]
    assert forms[0] is not forms[1]
    for histories in (alike, apart):
        _says_as_written(check_statistics(histories), laws, histories)
