"""The law's parameters as coordinates, and what is assumed before data."""

import numpy as np
import pytest
from sample_histories import a_law, laws_together

from analysis.error_law import (
    COORDINATES,
    ErrorLaw,
    assumption,
    coordinates_of,
    law_from_coordinates,
)
from analysis.vocabulary import Mechanism


def _random_coordinates() -> np.ndarray:
    return np.random.default_rng(3).normal(size=(5, len(COORDINATES)))


def test_coordinates_and_law_are_each_other_s_inverse() -> None:
    """Both ways, for several laws at once."""
    coordinates = _random_coordinates()
    law = law_from_coordinates(coordinates)
    assert law.size == 5
    np.testing.assert_allclose(coordinates_of(law), coordinates, rtol=1e-12, atol=1e-14)
    mine = laws_together(*(a_law(knocks_per_year=0.1, stray_share=s) for s in (0.02, 0.2)))
    again = law_from_coordinates(coordinates_of(mine))
    for name in ErrorLaw.__dataclass_fields__:
        np.testing.assert_allclose(getattr(again, name), getattr(mine, name), rtol=1e-12)


@pytest.mark.parametrize("index", range(len(COORDINATES)), ids=COORDINATES)
def test_each_coordinate_moves_the_number_that_it_names(index: int) -> None:
    """A step along one coordinate changes that attribute and part alone, by e for a logarithm.

    The odds of a share grow by e too: from one to one, to e to one.
    """
    before = law_from_coordinates(np.zeros((1, len(COORDINATES))))
    after = law_from_coordinates(np.eye(len(COORDINATES))[[index]])
    label = COORDINATES[index].removeprefix("log ").removeprefix("odds of ")
    name, _, part = label.partition(".")
    for other in ErrorLaw.__dataclass_fields__:
        change = np.ravel(getattr(after, other) - getattr(before, other))
        expected = np.zeros_like(change)
        if other == name:
            place = 1 if part == "offset" else 0
            expected[place] = np.e - 1 if COORDINATES[index].startswith("log ") else 1.0
            if "odds" in COORDINATES[index]:
                expected[place] = np.e / (1 + np.e) - 0.5
        np.testing.assert_allclose(change, expected, atol=1e-15)


def test_no_coordinate_makes_a_share_of_more_than_all() -> None:
    """A vague assumption lets the walk go far: the share of stray checks stays one."""
    far = np.zeros((2, len(COORDINATES)))
    far[:, -1] = -30.0, 30.0
    share = law_from_coordinates(far).stray_share
    assert 0.0 < share[0] < 1e-12
    assert 1.0 - 1e-12 < share[1] <= 1.0


def test_scatter_grows_at_the_bottom_of_the_range_as_stated() -> None:
    """rho² + (alpha / x)², laws first, any shape of x."""
    law = laws_together(a_law(), a_law(rho_pct=0.2, alpha_pct=0.3))
    np.testing.assert_allclose(
        law.scatter_variance(np.array([[0.1, 0.2], [0.5, 1.0]]))[1],
        [[0.04 + 9.0, 0.04 + 2.25], [0.04 + 0.36, 0.04 + 0.09]],
    )
    np.testing.assert_allclose(law.scatter_variance(np.array(0.5)), [0.2025 + 0.0484, 0.4])


def test_the_chance_of_a_knock_is_that_of_a_poisson_process() -> None:
    """1 - exp(-rate x years): none in no time, and waiting in two stretches multiplies survival."""
    law = laws_together(a_law(knocks_per_year=0.3), a_law(knocks_per_year=0.02))
    years = np.array([0.0, 1.0, 2.5, 3.5])
    chance = law.knock_chance(years)
    np.testing.assert_allclose(chance, 1 - np.exp(-np.outer([0.3, 0.02], years)), atol=1e-15)
    np.testing.assert_allclose(1 - chance[:, 3], (1 - chance[:, 1]) * (1 - chance[:, 2]))
    assert law.knock_chance(np.array([[1.0], [2.0]])).shape == (2, 2, 1)
    np.testing.assert_allclose(law.knock_sd, 3.0 * law.level_sd)


def test_taking_laws_takes_every_parameter() -> None:
    """By index and by slice."""
    law = law_from_coordinates(_random_coordinates())
    for name in ErrorLaw.__dataclass_fields__:
        values = getattr(law, name)
        np.testing.assert_array_equal(getattr(law.take(np.array([3, 1])), name), values[[3, 1]])
        np.testing.assert_array_equal(getattr(law.take(slice(0, 1)), name), values[:1])


@pytest.mark.parametrize("mechanism", Mechanism)
def test_an_assumption_is_proper_and_prefers_neither_side(mechanism: Mechanism) -> None:
    """Means about zero, every spread above zero, scatter within what any tool shows."""
    assumed = assumption(mechanism)
    assert assumed.centre.shape == assumed.spread.shape == (len(COORDINATES),)
    np.testing.assert_array_equal(assumed.centre[:6], 0.0)
    assert (assumed.spread > 0).all()
    law = law_from_coordinates(assumed.centre[None])
    assert 0.05 < law.rho_pct[0] < 2.0
    assert 0.0 < law.knocks_per_year[0] < 0.2
    assert 0.0 < law.stray_share[0] < 0.1


def test_springs_are_assumed_to_have_more_constant_scatter_than_electronics() -> None:
    """The trade's claim enters as a prior only: both keep room for the other's value."""
    spring, electronic = (
        law_from_coordinates(assumption(m).centre[None])
        for m in (Mechanism.SPRING, Mechanism.ELECTRONIC)
    )
    assert spring.alpha_pct[0] > electronic.alpha_pct[0]
    index = COORDINATES.index("log alpha_pct")
    apart = (
        assumption(Mechanism.SPRING).centre[index] - assumption(Mechanism.ELECTRONIC).centre[index]
    )
    assert apart < 2 * assumption(Mechanism.SPRING).spread[index]
