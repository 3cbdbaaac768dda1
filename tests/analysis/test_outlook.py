"""Where wrenches will stand: the joint normal continued into the future, and simulated futures."""

from dataclasses import replace

import numpy as np
import pytest
from dense_normal import joint_normal
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

from analysis.error_law import DAYS_PER_YEAR, assumption, law_from_coordinates
from analysis.mixture import summarise
from analysis.outlook import last_days, outlook, states_on
from analysis.simulate import Recipe, future_readings, simulate_fleet
from analysis.time_basis import TimeBasis
from analysis.vocabulary import CheckKind, Mechanism

_RANDOM = np.random.default_rng(12)
STORIES = [
    Story(
        [
            Visit(0.0, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5), cycles=0.0),
            Visit(300.0, readings_at(_RANDOM, (0.2, 1.0), 5, 2.0), cycles=3000.0),
            Visit(300.0, readings_at(_RANDOM, (0.2, 1.0), 5), CheckKind.AS_LEFT, cycles=3000.0),
            Visit(500.0, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5), cycles=3500.0),
        ],
        wrench="A",
    ),
    Story([Visit(450.0, readings_at(_RANDOM, (0.6,), 2))], wrench="B"),
]


def test_outlook_is_the_joint_normal_continued() -> None:
    """Level on a later day given all readings, plus the effect of that day's check."""
    laws = [a_law(), a_law(check_sd=(0.1, 0.2), wander_sd=(0.9, 0.1))]
    family = family_of(laws_together(*laws), histories_of(*STORIES))
    view = outlook(family, 730.0)
    bare = outlook(family, 730.0, of_a_check=False)
    for k, law in enumerate(laws):
        for i, story in enumerate(STORIES):
            mean, cov = joint_normal(law, story, (730.0,)).posterior()
            np.testing.assert_allclose(view.mean[k, i], mean[:2], atol=1e-9)
            np.testing.assert_allclose(bare.mean[k, i], mean[:2], atol=1e-9)
            np.testing.assert_allclose(bare.cov[k, i], cov[:2, :2], atol=1e-9)
            with_check = cov[:2, :2] + np.diag(law.check_sd[0] ** 2)
            np.testing.assert_allclose(view.cov[k, i], with_check, atol=1e-9)


def test_drift_by_use_runs_at_the_wrench_s_own_pace() -> None:
    """Wrench A made 3,500 cycles in 500 days: its clock runs that fast; B goes the typical pace."""
    law = a_law()
    family = family_of(law, histories_of(*STORIES), TimeBasis.USE, 2000.0)
    state = states_on(family, 500.0 + DAYS_PER_YEAR)
    pace = 3500.0 / (500.0 / DAYS_PER_YEAR) / 2000.0
    at_last = family.state
    moved = at_last.level[:, 0, 0] + pace * at_last.rate[:, 0, 0]
    np.testing.assert_allclose(state.level[:, 0, 0], moved, rtol=1e-12)
    years_b = (500.0 + DAYS_PER_YEAR - 450.0) / DAYS_PER_YEAR
    moved_b = at_last.level[:, 0, 1] + years_b * at_last.rate[:, 0, 1]
    np.testing.assert_allclose(state.level[:, 0, 1], moved_b, rtol=1e-12)


def test_a_day_before_the_last_check_counts_as_that_day() -> None:
    """The past is not foretold; each wrench has its own last day, each may have its own day."""
    family = family_of(a_law(knocks_per_year=0.1), histories_of(*STORIES))
    np.testing.assert_array_equal(last_days(family), [500.0, 450.0])
    now, early, never = (outlook(family, d) for d in (np.array([500.0, 450.0]), 10.0, -np.inf))
    for other in (early, never):
        np.testing.assert_array_equal(other.mean, now.mean)
        np.testing.assert_array_equal(other.cov, now.cov)
        np.testing.assert_array_equal(other.knock_chance, np.zeros((1, 2)))


def test_a_knock_may_come_while_waiting() -> None:
    """Its chance grows with the time since the last check and its jump widens the mixture."""
    law = a_law(knocks_per_year=0.2, knock_ratio=2.0)
    view = outlook(family_of(law, histories_of(*STORIES)), 500.0 + 2 * DAYS_PER_YEAR)
    assert view.knock_chance[0, 0] == pytest.approx(1 - np.exp(-0.4))
    mixture = view.at(0.2)
    z = z_of(0.2)
    quiet = z @ view.cov[0, 0] @ z
    jump = (2.0 * np.array([1.1, 0.17])) ** 2 @ z**2
    np.testing.assert_allclose(mixture.variance[:, 0], [quiet, quiet + jump])
    np.testing.assert_allclose(mixture.mean[:, 0], [view.mean[0, 0] @ z] * 2)
    np.testing.assert_allclose(mixture.weight[:, 0], [np.exp(-0.4), 1 - np.exp(-0.4)])
    reading = view.reading_at(0.2).variance - mixture.variance
    np.testing.assert_allclose(reading, law.scatter_variance(np.array(0.2))[0], rtol=1e-9)


def test_one_wrench_s_row_is_its_own() -> None:
    """Every part of the outlook follows."""
    laws = laws_together(a_law(), a_law(knocks_per_year=0.3))
    family = family_of(laws, histories_of(*STORIES))
    view = outlook(family, 900.0)
    row = outlook(family.of_rows([1]), 900.0)
    np.testing.assert_array_equal(row.mean, view.mean[:, 1:])
    np.testing.assert_array_equal(row.cov, view.cov[:, 1:])
    np.testing.assert_array_equal(row.knock_chance, view.knock_chance[:, 1:])
    np.testing.assert_array_equal(row.at(0.5).mean[:, 0], view.at(0.5).mean[:, 1])


@pytest.mark.parametrize("mechanism", [Mechanism.SPRING, Mechanism.ELECTRONIC])
def test_intervals_of_simulated_futures_cover_what_they_promise(mechanism: Mechanism) -> None:
    """2,000 wrenches of known law with uneven visits and adjustments, a year on.

    A 95 % interval of one reading holds 95 % of them; Monte Carlo error four binomial SDs, 0.020.
    """
    law = law_from_coordinates(assumption(mechanism).centre[None])
    law = replace(law, knocks_per_year=np.zeros(1), stray_share=np.zeros(1))
    recipe = Recipe(law=law, wrenches=2000, visits=(1, 3, 5), mpd_pct=3.0, uneven=0.8,
                    missing_target=0.2)  # fmt: skip
    random = np.random.default_rng(31)
    fleet = simulate_fleet(recipe, random)
    family = family_of(law, fleet.histories)
    view = outlook(family, last_days(family) + DAYS_PER_YEAR)
    future = future_readings(fleet, np.ones(2000), random)[:, :, 0]
    for j, x in enumerate(recipe.x):
        promised = summarise(view.reading_at(x))
        inside = ((future[:, j] >= promised.lower) & (future[:, j] <= promised.upper)).mean()
        assert inside == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 2000))
        standardised = (future[:, j] - promised.mean) / promised.sd
        assert abs(standardised.mean()) < 4 / np.sqrt(2000)
        assert standardised.var() == pytest.approx(1.0, abs=4 * np.sqrt(2 / 2000))


def test_a_wrench_asked_alone_is_foretold_as_among_its_family() -> None:
    """Drift with use: how paces vary is the family's knowledge, whichever rows are asked about."""
    stories = [
        Story(
            [
                Visit(365.25 * year, [(0.2, 0.1 * year), (1.0, 0.1)] * 3, cycles=pace * year**bend)
                for year in range(4)
            ],
            wrench=f"W-{number}",
        )
        for number, (pace, bend) in enumerate([(900.0, 1.0), (1800.0, 1.4), (700.0, 0.8)] * 2)
    ]
    stories.append(Story([Visit(0.0, [(0.2, 0.1), (1.0, 0.1)] * 3)], wrench="W-new"))
    family = family_of(a_law(), histories_of(*stories), TimeBasis.USE, 1000.0)
    together = outlook(family, 2000.0)
    for row in range(len(stories)):
        alone = outlook(family.of_rows([row]), 2000.0)
        np.testing.assert_allclose(alone.cov, together.cov[:, [row]], rtol=1e-12)
        np.testing.assert_allclose(alone.mean, together.mean[:, [row]], rtol=1e-12)
