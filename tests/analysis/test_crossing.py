"""The quick search for due dates and its table of pass probabilities, against the slow ones."""

import numpy as np
import pytest
from fleet_frames import usual_law
from sample_histories import family_of

from analysis.crossing import crossing_days
from analysis.due import STEP_DAYS, DuePolicy, add_months, first_crossings, months_caps
from analysis.error_law import ErrorLaw
from analysis.family import FamilyFit
from analysis.outlook import last_days, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.pass_table import PassTable
from analysis.simulate import Recipe, simulate_fleet
from analysis.tails import NORMAL, Tails
from analysis.vocabulary import Mechanism

PLAN = CheckPlan((0.2, 0.6, 1.0), 5)
WRENCHES = 150


def family(mechanism: Mechanism, tails: Tails, drift: float = 0.0) -> tuple[FamilyFit, ErrorLaw]:
    """A family under its true law, with much or little mean drift."""
    law = usual_law(mechanism)
    law.rate_mean[:] = drift, drift / 10
    recipe = Recipe(law=law, wrenches=WRENCHES, visits=(1, 2, 5), mpd_pct=4.0, uneven=0.5)
    histories = simulate_fleet(recipe, np.random.default_rng(8)).histories
    return family_of(law, histories, tails=tails), law


CASES = [
    (Mechanism.SPRING, NORMAL, 0.0, 4.0),
    (Mechanism.SPRING, Tails(0.05, 3.0), 1.0, 4.0),
    (Mechanism.ELECTRONIC, NORMAL, -1.5, 3.0),
    (Mechanism.BEAM, NORMAL, 0.5, 6.0),
]


@pytest.mark.parametrize(("mechanism", "tails", "drift", "mpd"), CASES)
def test_the_table_gives_the_integral_s_chances(
    mechanism: Mechanism, tails: Tails, drift: float, mpd: float
) -> None:
    """From nearly sure to hopeless; the integral itself is good to 0.001."""
    fit, law = family(mechanism, tails, drift)
    table = PassTable.of(law, tails, PLAN, np.full(3, mpd))
    seen = []
    for days in (0.0, 200.0, 730.0):
        view = outlook(fit, last_days(fit) + days)
        chance = pass_probability(view, PLAN, np.full((WRENCHES, 3), mpd))
        np.testing.assert_allclose(table.chance(view), chance, atol=1e-3)
        seen.append(chance)
    assert np.ptp(seen) > 0.5


@pytest.mark.parametrize(("mechanism", "tails", "drift", "mpd"), CASES)
def test_the_search_finds_the_grid_s_days(
    mechanism: Mechanism, tails: Tails, drift: float, mpd: float
) -> None:
    """Wrenches that cross at once, later and never within two years: within a step or two."""
    fit, law = family(mechanism, tails, drift)
    horizon = np.full(WRENCHES, 730.0)
    table = PassTable.of(law, tails, PLAN, np.full(3, mpd))
    quick = crossing_days(fit, table, 0.9, horizon)
    slow, _ = first_crossings(fit, PLAN, np.full((WRENCHES, 3), mpd), 0.9, horizon)
    end = last_days(fit) + horizon
    # Two years on the horizon itself may lie between the two: never counts as the horizon.
    apart = np.abs(np.minimum(quick, end) - np.minimum(slow, end))
    assert apart.max() <= 5 * STEP_DAYS
    assert (apart <= STEP_DAYS).mean() > 0.95
    at_once, never = slow == last_days(fit), np.isinf(slow)
    assert 0 < (~at_once & ~never).sum() < WRENCHES
    np.testing.assert_array_equal(quick[at_once], slow[at_once])


def test_a_limit_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="limit of zero or more"):
        PassTable.of(usual_law(Mechanism.SPRING), NORMAL, PLAN, np.array([4.0, np.nan, 4.0]))


@pytest.mark.parametrize("months", [1, 6, 12, 30])
def test_caps_in_months_of_many_are_those_of_each(months: int) -> None:
    """Every day of five years, leap years among them."""
    days = np.arange(19_000.0, 20_900.0) + 0.25
    policy = DuePolicy(0.95, months, 5000, 14)
    assert months_caps(days, policy).tolist() == [add_months(day, months) for day in days]
