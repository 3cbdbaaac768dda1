"""A family's law: its most probable value, and draws that carry the doubt that remains."""

from dataclasses import replace

import numpy as np
import pytest
from sample_histories import Story, Visit, histories_of, readings_at

from analysis.arrays import Array
from analysis.error_law import COORDINATES, assumption, coordinates_of, law_from_coordinates
from analysis.family_posterior import (
    FamilyPosterior,
    family_mode,
    family_posterior,
    log_likelihood,
)
from analysis.history import Histories
from analysis.history_filter import filter_histories
from analysis.simulate import Recipe, SimulatedFleet, simulate_fleet
from analysis.vocabulary import Mechanism

ASSUMED = assumption(Mechanism.SPRING)
SIZE = len(COORDINATES)
NOBODY = histories_of()


def _posterior_density(z: Array, histories: Histories) -> Array:
    laws = law_from_coordinates(ASSUMED.centre + ASSUMED.spread * z)
    return filter_histories(laws, histories).log_likelihood.sum(-1) - 0.5 * (z**2).sum(-1)


def _simulated(seed: int, wrenches: int, visits: tuple[int, ...]) -> tuple[Array, SimulatedFleet]:
    """A law drawn from the assumption (coordinates in its units), and a fleet made by it."""
    random = np.random.default_rng(seed)
    z = random.standard_normal(SIZE)
    law = law_from_coordinates((ASSUMED.centre + ASSUMED.spread * z)[None])
    recipe = Recipe(
        law=law,
        wrenches=wrenches,
        visits=visits,
        mpd_pct=4.0,
        knocks_per_year=float(law.knocks_per_year[0]),
        knock_sd=tuple(law.knock_sd[0]),
    )
    return z, simulate_fleet(recipe, random)


@pytest.fixture(scope="module")
def fitted() -> tuple[Histories, FamilyPosterior]:
    """Ten wrenches with three visits each."""
    _, fleet = _simulated(1, 10, (3,))
    return fleet.histories, family_posterior(fleet.histories, ASSUMED)


def test_without_histories_the_assumption_speaks() -> None:
    """400 draws are standard normal in units of the prior; mode at its centre.

    Held to five standard errors over 21 coordinates; the walk leaves draws independent of each
    other, for each chain gives one.
    """
    posterior = family_posterior(NOBODY, ASSUMED, draws=400)
    np.testing.assert_allclose(coordinates_of(posterior.mode)[0], ASSUMED.centre, atol=1e-6)
    z = posterior.coordinates
    assert (np.abs(z.mean(axis=0)) < 5 / np.sqrt(400)).all()
    assert (np.abs(z.std(axis=0) - 1) < 5 / np.sqrt(800)).all()
    assert 0.1 < posterior.acceptance < 0.6


def test_the_mode_is_a_top(fitted: tuple[Histories, FamilyPosterior]) -> None:
    """No slope in any coordinate, and lower in every direction tried from there."""
    histories, posterior = fitted
    z = (coordinates_of(posterior.mode)[0] - ASSUMED.centre) / ASSUMED.spread
    step = 1e-3 * np.eye(SIZE)
    slope = (
        _posterior_density(z + step, histories) - _posterior_density(z - step, histories)
    ) / 2e-3
    assert np.abs(slope).max() < 0.05
    directions = np.random.default_rng(2).normal(size=(60, SIZE))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    top = _posterior_density(z[None], histories)[0]
    assert (_posterior_density(z + 0.3 * directions, histories) < top).all()
    assert family_mode(histories, ASSUMED).log_posterior == pytest.approx(top, abs=1e-3)


def test_another_start_finds_the_same_top(fitted: tuple[Histories, FamilyPosterior]) -> None:
    """From half a prior SD off in every coordinate."""
    histories, posterior = fitted
    start = 0.5 * np.random.default_rng(3).choice([-1.0, 1.0], SIZE)
    again = family_mode(histories, ASSUMED, start)
    top = _posterior_density(again.z[None], histories)[0]
    z = (coordinates_of(posterior.mode)[0] - ASSUMED.centre) / ASSUMED.spread
    assert top == pytest.approx(_posterior_density(z[None], histories)[0], abs=0.02)
    np.testing.assert_allclose(again.z, z, atol=0.1)


def test_draws_and_their_coordinates_are_the_same_laws(
    fitted: tuple[Histories, FamilyPosterior],
) -> None:
    """Coordinates are in units of the prior."""
    _, posterior = fitted
    expected = ASSUMED.centre + ASSUMED.spread * posterior.coordinates
    np.testing.assert_allclose(coordinates_of(posterior.draws), expected, rtol=1e-9, atol=1e-9)
    assert posterior.draws.size == len(posterior.coordinates)
    assert 0.1 < posterior.acceptance < 0.6


def test_the_same_evidence_gives_the_same_numbers(
    fitted: tuple[Histories, FamilyPosterior],
) -> None:
    """No hidden randomness."""
    histories, posterior = fitted
    again = family_posterior(histories, ASSUMED)
    np.testing.assert_array_equal(again.coordinates, posterior.coordinates)


def test_mirrored_readings_mirror_the_mode(fitted: tuple[Histories, FamilyPosterior]) -> None:
    """Every deviation's sign turned: means turn, spreads stay."""
    histories, posterior = fitted
    mirrored = family_mode(replace(histories, mean_pct=-histories.mean_pct), ASSUMED)
    z = (coordinates_of(posterior.mode)[0] - ASSUMED.centre) / ASSUMED.spread
    np.testing.assert_allclose(mirrored.z[:6], -z[:6], atol=0.02)
    np.testing.assert_allclose(mirrored.z[6:], z[6:], atol=0.02)


def test_likelihood_in_parts_is_the_likelihood(monkeypatch: pytest.MonkeyPatch) -> None:
    """Laws filtered a few at a time to bound memory give the same sums."""
    _, fleet = _simulated(4, 6, (2,))
    coordinates = ASSUMED.centre + ASSUMED.spread * np.random.default_rng(5).normal(size=(7, SIZE))
    whole = log_likelihood(coordinates, fleet.histories)
    monkeypatch.setattr("analysis.family_posterior.CELLS_AT_ONCE", 13)
    np.testing.assert_allclose(log_likelihood(coordinates, fleet.histories), whole, rtol=1e-12)


def test_a_large_family_overrules_the_assumption() -> None:
    """120 wrenches with twice the assumed scatter and half the assumed level spread."""
    random = np.random.default_rng(6)
    z = np.zeros(SIZE)
    z[COORDINATES.index("log rho_pct")] = np.log(2) / 0.8
    for part in ("gain", "offset"):
        z[COORDINATES.index(f"log level_sd.{part}")] = -np.log(2) / 0.8
    law = law_from_coordinates((ASSUMED.centre + ASSUMED.spread * z)[None])
    recipe = Recipe(law=law, wrenches=120, visits=(2,), mpd_pct=4.0)
    mode = family_mode(simulate_fleet(recipe, random).histories, ASSUMED)
    found = law_from_coordinates((ASSUMED.centre + ASSUMED.spread * mode.z)[None])
    assert found.rho_pct[0] == pytest.approx(law.rho_pct[0], rel=0.05)
    assert found.level_sd[0] == pytest.approx(law.level_sd[0], rel=0.3)


def test_draws_hold_the_truth_as_often_as_they_should() -> None:
    """Eight families made by laws drawn from the assumption itself, eight wrenches each.

    Standardised errors of 8 x 21 coordinates have mean square one; held to 0.35, about three Monte
    Carlo standard errors were they independent (2 / 168, square root 0.11) and fairly correlated.
    Shares of the draws below the truth are spread evenly: a tenth in each outer tenth.
    """
    squares, ranks = [], []
    for seed in range(8):
        truth, fleet = _simulated(50 + seed, 8, (2, 3))
        z = family_posterior(fleet.histories, ASSUMED).coordinates
        squares.append(((truth - z.mean(axis=0)) / z.std(axis=0)) ** 2)
        ranks.append((z < truth).mean(axis=0))
    assert np.mean(squares) == pytest.approx(1.0, abs=0.35)
    outer = (np.array(ranks) < 0.1) | (np.array(ranks) > 0.9)
    assert outer.mean() == pytest.approx(0.2, abs=0.09)


@pytest.mark.parametrize(
    "story",
    [
        Story([Visit(0.0, [(0.6, 0.0)] * 5)]),
        Story([Visit(100.0 * c, [(x, 1.0) for x in (0.2, 1.0) for _ in range(9)])
               for c in range(12)]),
        Story([Visit(0.0, [(0.2, 5000.0), (1.0, -90.0)]), Visit(1.0, [(0.2, -99.0)])]),
        Story([Visit(9000.0 * c, readings_at(np.random.default_rng(c), (0.01, 1.0), 1))
               for c in range(2)]),
    ],
    ids=["one reading written five times", "all alike", "absurd readings", "x of 0.01, 25 years"],
)  # fmt: skip
def test_odd_evidence_gives_finite_laws(story: Story) -> None:
    """No crash, no warning, nothing but finite numbers."""
    posterior = family_posterior(histories_of(story), ASSUMED, draws=16)
    for name in type(posterior.draws).__dataclass_fields__:
        assert np.isfinite(getattr(posterior.draws, name)).all()
    assert (posterior.draws.rho_pct > 0).all()


@pytest.fixture(scope="module")
def large() -> Histories:
    """140 wrenches, just enough for the search that large families take."""
    _, fleet = _simulated(11, 140, (1, 2))
    return fleet.histories


def test_the_search_for_a_large_family_ends_where_the_slow_one_does(large: Histories) -> None:
    """No slope is left there that would take the slow search on by a tenth of a unit."""
    quick = family_mode(large, ASSUMED)
    assert quick.log_posterior == pytest.approx(_posterior_density(quick.z[None], large)[0])
    step = 1e-3 * np.eye(SIZE)
    slope = _posterior_density(quick.z + step, large) - _posterior_density(quick.z - step, large)
    curvature = (
        2 * quick.log_posterior
        - _posterior_density(quick.z + step, large)
        - _posterior_density(quick.z - step, large)
    )
    # What Newton's step along each coordinate would gain.
    gain = (slope / 2) ** 2 / (2 * np.maximum(curvature, 1e-7))
    assert gain.max() < 0.1


def test_a_short_walk_through_a_large_family_s_posterior_is_long_enough(
    large: Histories, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Means and SDs of 48 draws as after seven times as many steps, to the error of the draws.

    Four standard errors of a difference of means, (1 +- 4 / sqrt(96)) of an SD each way.
    """
    short = family_posterior(large, ASSUMED)
    monkeypatch.setattr("analysis.family_posterior._STEPS_WHEN_LARGE", 80)
    long = family_posterior(large, ASSUMED)
    for name in ("log rho_pct", "log alpha_pct", "log level_sd.gain", "level_mean.gain"):
        at = COORDINATES.index(name)
        one, other = short.coordinates[:, at], long.coordinates[:, at]
        assert abs(one.mean() - other.mean()) < 4 * np.hypot(one.std(), other.std()) / np.sqrt(48)
        assert 0.55 < one.std() / other.std() < 1.8
