"""One law in place of many: only where no forecast shows it."""

import numpy as np
from fleet_frames import usual_law
from sample_histories import family_of

from analysis.error_law import ErrorLaw, assumption, coordinates_of, law_from_coordinates
from analysis.family import FamilyLaws
from analysis.history import Histories
from analysis.one_law import mean_law, one_law, promise_kept
from analysis.simulate import Recipe, simulate_fleet
from analysis.vocabulary import Mechanism

CENTRE = coordinates_of(usual_law(Mechanism.SPRING))


def laws_about(spread: float, laws: int = 20) -> ErrorLaw:
    """Equally likely laws whose coordinates differ by a share of the assumption's spread."""
    random = np.random.default_rng(4)
    z = spread * random.standard_normal((laws, CENTRE.shape[1]))
    return law_from_coordinates(CENTRE + assumption(Mechanism.SPRING).spread * z)


def taught(spread: float, wrenches: int = 100) -> tuple[FamilyLaws, Histories]:
    recipe = Recipe(law=usual_law(Mechanism.SPRING), wrenches=wrenches, visits=(2, 5), mpd_pct=4.0)
    histories = simulate_fleet(recipe, np.random.default_rng(5)).histories
    return family_of(laws_about(spread), histories), histories


def test_laws_that_agree_become_one() -> None:
    family, histories = taught(0.05)
    one = one_law(family, histories)
    assert one is not None
    assert one.size == 1
    np.testing.assert_allclose(promise_kept(family, one, histories), 0.95, atol=0.005)


def test_laws_that_differ_stay_many() -> None:
    family, histories = taught(0.6)
    assert one_law(family, histories) is None
    gap = promise_kept(family, mean_law(family.law), histories) - 0.95
    assert np.abs(gap).max() > 0.005


def test_few_wrenches_cannot_judge() -> None:
    assert one_law(*taught(0.05, wrenches=20)) is None


def test_the_mean_law_keeps_means_and_variances() -> None:
    laws = laws_about(0.5)
    one = mean_law(laws)
    np.testing.assert_allclose(one.rate_mean[0], laws.rate_mean.mean(axis=0))
    np.testing.assert_allclose(one.wander_sd[0] ** 2, (laws.wander_sd**2).mean(axis=0))
    np.testing.assert_allclose(one.rho_pct[0] ** 2, (laws.rho_pct**2).mean())
    np.testing.assert_allclose(one.stray_share[0], laws.stray_share.mean())
