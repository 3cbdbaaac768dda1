"""Suspect pulls and crossing dates of simulated wrenches, against what truly happened.

Wrenches of one known law are checked when new, half a year on and a year and a half on; in the last
stretch their level is followed day by day, and pulls are made on random days and at random places.
Each wrench is traced from its second check to its third, and what the trace says is held against
the pulls that truly were outside and the day on which the level truly left the limits. Some
wrenches are knocked.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.level_paths import draw_level_paths
from analysis.tails import NORMAL
from analysis.traceability import crossings, pull_probabilities
from tests.analysis.sample_histories import Story, Visit, a_law, family_of, histories_of

pytestmark = pytest.mark.simulation

WRENCHES = 500
PATHS = 300
PULLS = 60
X = (0.2, 0.6, 1.0)
MPD = 4.0
DAYS = np.array([0.0, 182.0, 547.0])
LAW = {"level_mean": (0.0, 0.0), "rate_mean": (1.0, 0.12), "rate_sd": (1.2, 0.25)}


@dataclass(frozen=True)
class Past:
    """The last stretch of one wrench: its level on each day of it, and its pulls."""

    story: Story
    level: Array  # (days, 2)
    pull_day: Array
    pull_x: Array
    outside: Array


def lived(law: ErrorLaw, serial: int, random: np.random.Generator) -> Past:
    level = law.level_mean[0] + law.level_sd[0] * random.standard_normal(2)
    rate = law.rate_mean[0] + law.rate_sd[0] * random.standard_normal(2)
    days = int(DAYS[-1])
    steps = law.wander_sd[0] * np.sqrt(1 / DAYS_PER_YEAR) * random.standard_normal((days, 2))
    knocks = random.random(days) < law.knocks_per_year[0] / DAYS_PER_YEAR
    jumps = knocks[:, None] * law.knock_sd[0] * random.standard_normal((days, 2))
    moved = (steps + jumps + rate / DAYS_PER_YEAR).cumsum(axis=0)
    levels = np.concatenate([level[None], level + moved])

    def deviations(day: Array, x: Array, share_hand: bool) -> Array:
        z = np.stack([np.ones_like(x), 1 / x], axis=-1)
        hands = 1 if share_hand else len(x)
        hand = law.check_sd[0] * random.standard_normal((hands, 2))
        scatter = np.sqrt(law.scatter_variance(x)[0]) * random.standard_normal(len(x))
        return np.asarray(((levels[day.astype(int)] + hand) * z).sum(axis=-1) + scatter)

    visits = []
    for day in DAYS:
        x = np.repeat(X, 5)
        read = deviations(np.full(len(x), day), x, share_hand=True)
        visits.append(Visit(day, list(zip(x.tolist(), read.tolist(), strict=True))))
    pull_day = np.sort(random.integers(int(DAYS[1]), days, PULLS)).astype(float)
    pull_x = random.uniform(0.2, 1.0, PULLS)
    outside = np.abs(deviations(pull_day, pull_x, share_hand=False)) > MPD
    story = Story(visits, wrench=f"A-{serial:04}")
    return Past(story, levels[int(DAYS[1]) :], pull_day, pull_x, outside)


@pytest.fixture(scope="module", params=[0.0, 0.15], ids=["quiet", "knocked"])
def study(request: pytest.FixtureRequest) -> dict[str, Array]:
    """Over all wrenches: of pulls (foretold, came); of jobs the same; of crossings at x = 0.2."""
    law = a_law(**LAW, knocks_per_year=request.param)
    random = np.random.default_rng(31)
    foretold, came, job_foretold, job_came, dates, never = [], [], [], [], [], []
    for serial in range(WRENCHES):
        past = lived(law, serial, random)
        family = family_of(law, histories_of(past.story))
        paths = draw_level_paths(family, 1, 2, -np.inf, random, PATHS)
        little, much = pull_probabilities(
            paths, NORMAL, past.pull_x, np.full(PULLS, MPD), past.pull_day
        )
        foretold.append((little + much).mean(axis=(1, 2)))
        came.append(past.outside)
        # Jobs of six pulls that follow one another.
        clear = np.prod((1 - little - much).reshape(-1, 6, *little.shape[1:]), axis=1)
        job_foretold.append(1 - clear.mean(axis=(1, 2)))
        job_came.append(past.outside.reshape(-1, 6).any(axis=1))
        (crossing, _) = crossings(paths, (0.2,), np.array([MPD]), random)
        beyond = np.abs(past.level @ np.array([1.0, 1 / 0.2])) > MPD
        never.append((crossing.never, not beyond.any()))
        if beyond.any() and crossing.quantile_days is not None:
            day = DAYS[1] + beyond.argmax()
            low, high = crossing.quantile_days[0], crossing.quantile_days[-1]
            dates.append((low - 1 <= day <= high + 1, day, crossing.mean_day))
    return {
        "foretold": np.concatenate(foretold),
        "came": np.concatenate(came),
        "job_foretold": np.concatenate(job_foretold),
        "job_came": np.concatenate(job_came),
        "dates": np.array(dates, dtype=float),
        "never": np.array(never, dtype=float),
    }


def assert_calibrated(foretold: Array, came: Array, wrenches: int) -> None:
    """By bins of what was foretold; pulls of one wrench share its level, hence the wide error."""
    edges = np.array([0.0, 0.01, 0.05, 0.15, 0.4, 0.7, 0.95, 1.0])
    for low, high in pairwise(edges.tolist()):
        here = (foretold >= low) & (foretold <= high)
        mean = foretold[here].mean()
        # As if each wrench in the bin gave four pulls that tell something new.
        effective = min(here.sum(), 4 * wrenches * here.mean() ** 0.5)
        assert came[here].mean() == pytest.approx(
            mean, abs=4 * np.sqrt(mean * (1 - mean) / effective) + 0.004
        ), f"foretold {low} to {high}"


def test_as_many_pulls_were_outside_as_foretold(study: dict[str, Array]) -> None:
    assert_calibrated(study["foretold"], study["came"], WRENCHES)
    assert study["foretold"].mean() == pytest.approx(study["came"].mean(), rel=0.06)


def test_as_many_jobs_had_a_pull_outside_as_foretold(study: dict[str, Array]) -> None:
    assert_calibrated(study["job_foretold"], study["job_came"], WRENCHES)


def test_the_crossing_lies_in_its_90_percent_interval_as_often(study: dict[str, Array]) -> None:
    """Of the wrenches whose level truly left the limits, four standard errors either way."""
    covered = study["dates"][:, 0]
    assert len(covered) > 100
    error = np.sqrt(0.09 / len(covered))
    assert 0.9 - 4 * error < covered.mean() < min(1.0, 0.9 + 4 * error)


def test_the_level_stayed_inside_as_often_as_foretold(study: dict[str, Array]) -> None:
    foretold, came = study["never"].T
    error = np.sqrt((foretold * (1 - foretold)).sum()) / len(foretold)
    assert came.mean() == pytest.approx(foretold.mean(), abs=4 * error)


def test_a_trace_tells_more_than_an_average(study: dict[str, Array]) -> None:
    """Brier's score against that of foretelling the overall share of every pull."""
    came = study["came"]
    score = ((study["foretold"] - came) ** 2).mean()
    assert score < 0.6 * came.mean() * (1 - came.mean())
