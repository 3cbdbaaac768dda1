"""Whole families with known truth: does what is foretold happen, with the law only learnt?

Slow; run with `pytest -m simulation`. Laws are drawn from the assumption itself, so that over many
families every stated chance should hold on the average.
"""

from functools import cache

import numpy as np
import pytest

from analysis.due import first_crossings
from analysis.error_law import assumption, law_from_coordinates
from analysis.family import FamilyFit, fit_family
from analysis.jumps import FALSE_ALARM_RATE
from analysis.mixture import summarise
from analysis.outlook import last_days, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.simulate import Recipe, SimulatedFleet, future_readings, share_passing, simulate_fleet
from analysis.vocabulary import Direction, Mechanism

pytestmark = pytest.mark.simulation

FAMILIES, MEMBERS = 16, 24
MPD = {Mechanism.SPRING: 4.0, Mechanism.ELECTRONIC: 2.0}
MECHANISMS = tuple(MPD)


@cache
def _families(mechanism: Mechanism) -> list[tuple[SimulatedFleet, FamilyFit]]:
    assumed = assumption(mechanism)
    random = np.random.default_rng(810)
    made = []
    for _ in range(FAMILIES):
        z = random.standard_normal(len(assumed.centre))
        law = law_from_coordinates((assumed.centre + assumed.spread * z)[None])
        recipe = Recipe(
            law=law,
            wrenches=MEMBERS,
            visits=(1, 2, 4, 6),
            mpd_pct=MPD[mechanism],
            uneven=0.5,
            missing_target=0.1,
        )
        fleet = simulate_fleet(recipe, random)
        h = fleet.histories
        family = fit_family("simulated", "family", h, h, assumed, Direction.CLOCKWISE)
        made.append((fleet, family))
    return made


def _mean_near(per_family: list[float], expected: float, allowance: float) -> None:
    """The mean over families, to four of its own standard errors and a stated allowance."""
    values = np.array(per_family)
    error = values.std(ddof=1) / np.sqrt(len(values))
    assert values.mean() == pytest.approx(expected, abs=4 * error + allowance)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_intervals_of_a_reading_a_year_on_cover_it(mechanism: Mechanism) -> None:
    """95 % intervals over 16 families of 24 wrenches at three targets."""
    random, covered = np.random.default_rng(811), []
    for fleet, family in _families(mechanism):
        view = outlook(family, last_days(family) + 365.25)
        future = future_readings(fleet, np.ones(MEMBERS), random)[:, :, 0]
        promised = [summarise(view.reading_at(x)) for x in fleet.recipe.x]
        inside = [
            (future[:, j] >= p.lower) & (future[:, j] <= p.upper) for j, p in enumerate(promised)
        ]
        covered.append(float(np.mean(inside)))
    _mean_near(covered, 0.95, 0.005)


@pytest.mark.parametrize("mechanism", MECHANISMS)
@pytest.mark.parametrize("years", [0.25, 1.0])
def test_pass_probability_is_the_share_that_passes(mechanism: Mechanism, years: float) -> None:
    """Share of 200 futures of each wrench less the chance foretold for it, over all wrenches."""
    random, excess = np.random.default_rng(812), []
    for fleet, family in _families(mechanism):
        view = outlook(family, last_days(family) + years * 365.25)
        plan = CheckPlan(fleet.recipe.x, fleet.recipe.repeats)
        chance = pass_probability(view, plan, np.full((MEMBERS, 3), MPD[mechanism]))
        share = share_passing(fleet, np.full(MEMBERS, years), random, 200)
        excess.append(float((share - chance).mean()))
    _mean_near(excess, 0.0, 0.005)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_at_the_reliability_date_the_target_is_met(mechanism: Mechanism) -> None:
    """On the day foretold for 90 % nine in ten pass; wrenches without such a day are left out."""
    random, shares = np.random.default_rng(813), []
    for fleet, family in _families(mechanism):
        plan = CheckPlan(fleet.recipe.x, fleet.recipe.repeats)
        limits = np.full((MEMBERS, 3), MPD[mechanism])
        crossing, _ = first_crossings(family, plan, limits, 0.9, np.full(MEMBERS, 730.0))
        days = crossing - last_days(family)
        known = np.isfinite(days) & (days > 0)
        share = share_passing(fleet, np.where(known, days, 0.0) / 365.25, random, 200)
        if known.any():
            shares.append(float(share[known].mean()))
    assert len(shares) > FAMILIES / 2
    _mean_near(shares, 0.9, 0.01)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_false_alarms_of_jumps_stay_rare_under_a_learnt_law(mechanism: Mechanism) -> None:
    """Nobody was knocked: wrenches with an alarm at most the stated share, to four binomial SDs."""
    alarms = [family.histories.jumped.any(axis=1) for _, family in _families(mechanism)]
    n = FAMILIES * MEMBERS
    error = np.sqrt(FALSE_ALARM_RATE * (1 - FALSE_ALARM_RATE) / n)
    assert np.mean(alarms) <= FALSE_ALARM_RATE + 4 * error
