"""Suspect work and the crossing date, against closed forms and the pull risk of a forecast."""

import numpy as np
import polars as pl
import pytest
from sample_histories import (
    TINY,
    Story,
    Visit,
    a_gain_only_law,
    a_law,
    deviations_frame,
    family_of,
    histories_of,
    laws_together,
    readings_at,
)

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR
from analysis.errors import NotEnoughEvidence
from analysis.evidence import PULLS
from analysis.family import FamilyFit
from analysis.level_paths import LevelPaths, draw_level_paths
from analysis.outlook import outlook
from analysis.risk import pull_risk_tails
from analysis.tails import Tails
from analysis.traceability import (
    Crossing,
    Finding,
    crossings,
    findings_of,
    pull_probabilities,
    stretch_of,
    trace,
)
from analysis.vocabulary import CheckKind, Direction, Mechanism
from analysis.wrench_range import Tolerance, WrenchRange

YEAR = DAYS_PER_YEAR
RANGE = WrenchRange(
    "A-1", Mechanism.SPRING, 20.0, 100.0, {Direction.CLOCKWISE: Tolerance(4.0, False)}
)
_RANDOM = np.random.default_rng(5)
HISTORY = Story(
    [
        Visit(0.0, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5, -0.5)),
        Visit(180.0, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5, 0.5)),
        Visit(400.0, readings_at(_RANDOM, (0.2, 0.6, 1.0), 5, 3.6)),
    ]
)


def pulls_frame(*rows: tuple[str, float, float, int]) -> pl.DataFrame:
    """Pulls as (job, day, torque in N·m, count)."""
    return pl.DataFrame(
        [
            (f"p{i}", "A-1", "clockwise", job, day, torque, count)
            for i, (job, day, torque, count) in enumerate(rows)
        ],
        schema=PULLS,
        orient="row",
    )


def known_ends(paths: int, begin: float, end: float, sd: float) -> LevelPaths:
    """A level that wanders for a year between two checks that know it to 0.005 %."""
    law = a_gain_only_law(level_mean=0.0, level_sd=9.0, wander_sd=sd, rho_pct=TINY)
    story = Story([Visit(0.0, [(1.0, begin)] * 4), Visit(YEAR, [(1.0, end)] * 4)])
    family = family_of(law, histories_of(story))
    return draw_level_paths(family, 0, 1, YEAR, np.random.default_rng(7), paths)


def crossing_of(paths: LevelPaths, mpd_pct: float) -> Crossing:
    found = crossings(paths, (1.0,), np.array([mpd_pct]), np.random.default_rng(8))
    assert len(found) == 2
    # With one place alone, anywhere is there.
    assert found[0].never == found[1].never
    return found[0]


@pytest.mark.parametrize(("end", "sd"), [(1.2, 1.0), (1.8, 1.0), (1.0, 0.5)])
def test_a_bridge_crosses_a_line_as_often_as_the_closed_form_says(end: float, sd: float) -> None:
    """exp(-2 a b / (sd² T)) from 1 to `end` under 2, the other side out of reach.

    Source: I. Karatzas, S. Shreve, Brownian Motion and Stochastic Calculus (1991), section 4.3.C
    (from memory). The wander between the days of the grid counts: without it some 5 % are missed.
    """
    paths = 12_000
    found = crossing_of(known_ends(paths, 1.0, end, sd), 2.0)
    expected = np.exp(-2 * (2 - 1.0) * (2 - end) / sd**2)
    assert found.already < 0.001
    assert 1 - found.never == pytest.approx(
        expected, abs=4 * np.sqrt(expected * (1 - expected) / paths)
    )


def test_the_probability_of_having_crossed_grows_as_the_closed_form_says() -> None:
    """P(crossed by t): over where the bridge is at t, the chance that its first part crossed."""
    sd, end, line = 1.0, 2.6, 2.0
    found = crossing_of(known_ends(12_000, 1.0, end, sd), line)
    day, probability = np.array(found.curve).T
    w = np.linspace(-6.0, 8.0, 20_001)
    for t in (0.2, 0.5, 0.8):
        spread = np.sqrt(sd**2 * t * (1 - t))
        density = np.exp(-0.5 * ((w - 1.0 - t * (end - 1.0)) / spread) ** 2)
        density /= density.sum()
        crossed = np.where(w >= line, 1.0, np.exp(-2 * (line - 1.0) * (line - w) / (sd**2 * t)))
        by_then = np.interp(t * YEAR, day, probability)
        assert by_then == pytest.approx((density * crossed).sum(), abs=0.01)
    assert found.never < 0.001
    assert probability[-1] == pytest.approx(1.0, abs=0.001)


def test_a_straight_drift_crosses_on_its_day() -> None:
    """From 0 to 4 % in a year without wander: outside 3 % on day 274, whichever way is drawn."""
    law = a_gain_only_law(level_mean=0.0, level_sd=9.0, rate_sd=9.0, rho_pct=TINY, wander_sd=1e-3)
    story = Story([Visit(0.0, [(1.0, 0.0)] * 4), Visit(YEAR, [(1.0, 4.0)] * 4)])
    paths = draw_level_paths(
        family_of(law, histories_of(story)), 0, 1, YEAR, np.random.default_rng(7), 500
    )
    found = crossing_of(paths, 3.0)
    assert found.never == 0.0
    assert found.mean_day == pytest.approx(0.75 * YEAR, abs=1.0)
    assert found.quantile_days is not None
    assert found.quantile_days == pytest.approx([0.75 * YEAR] * 5, abs=2.5)


def test_a_level_outside_from_the_first_day_counts_as_the_begin() -> None:
    found = crossing_of(known_ends(400, 2.5, 2.6, 0.5), 2.0)
    assert found.already == 1.0
    assert found.quantile_days == (0.0,) * 5
    assert found.curve[0] == (0.0, 1.0)


def test_a_level_that_stays_inside_never_crosses() -> None:
    found = crossing_of(known_ends(400, 0.0, 0.1, 0.1), 4.0)
    assert (found.already, found.never) == (0.0, 1.0)
    assert (found.mean_day, found.quantile_days) == (None, None)


@pytest.mark.parametrize("days_on", [0.0, 200.0])
@pytest.mark.parametrize("tails", [Tails(0.0, 1.0), Tails(0.1, 3.0, 1.1)], ids=["normal", "heavy"])
def test_a_pull_after_the_last_check_has_its_pull_risk(days_on: float, tails: Tails) -> None:
    """At the last check's day and later, with strays and knocks: what readRisk answers."""
    laws = laws_together(
        *(a_law(rho_pct=rho, stray_share=0.05, knocks_per_year=0.3) for rho in (0.3, 0.5, 0.8))
    )
    family = family_of(laws, histories_of(HISTORY), tails=tails)
    day = 400.0 + days_on
    paths = draw_level_paths(family, 2, 2, day, np.random.default_rng(4), 4000)
    view = outlook(family, day)
    x = np.array([0.2, 0.5, 1.0])
    little, much = pull_probabilities(paths, tails, x, np.full(3, 4.0), np.full(3, day))
    for i, place in enumerate(x.tolist()):
        low, high = pull_risk_tails(view, place, 4.0)
        assert little[i].mean() == pytest.approx(low[0], abs=0.006)
        assert much[i].mean() == pytest.approx(high[0], abs=0.006)


def stretch_for(family: FamilyFit, story: Story = HISTORY) -> tuple[FamilyFit, list[Finding]]:
    return family, [
        Finding(f"{story.wrench}/{i:02d}", inside, visit.kind is not CheckKind.AS_LEFT)
        for i, (visit, inside) in enumerate(zip(story.visits, (True, True, False), strict=True))
    ]


def traced(*rows: tuple[str, float, float, int]):
    family, findings = stretch_for(family_of(a_law(), histories_of(HISTORY)))
    stretch = stretch_of(findings, family.histories, 500.0)
    return trace(family, 0, RANGE, (0.2, 0.6, 1.0), stretch, pulls_frame(*rows))


def test_work_nearer_to_the_failing_check_is_more_suspect() -> None:
    found = traced(("W-1", 190.0, 60.0, 1), ("W-2", 300.0, 60.0, 1), ("W-3", 395.0, 60.0, 1))
    chances = [pull.probability for pull in found.pulls]
    assert chances == sorted(chances)
    assert [job.job for job in found.jobs] == ["W-3", "W-2", "W-1"]
    assert found.expected == pytest.approx(sum(chances))
    assert all(pull.low > pull.high for pull in found.pulls)


def test_the_pulls_of_a_job_share_the_ways_that_the_wrench_may_have_taken() -> None:
    """Ten pulls: more than one alone, fewer than ten independent ones would give."""
    found = traced(("W-1", 380.0, 60.0, 1), ("W-2", 380.0, 60.0, 10))
    jobs = {job.job: job for job in found.jobs}
    one, ten = jobs["W-1"].probability, jobs["W-2"].probability
    assert one is not None
    assert ten is not None
    assert one < ten < 1 - (1 - one) ** 10 - 0.02
    assert jobs["W-2"].expected == pytest.approx(10 * one)


def test_a_count_is_as_many_records_of_one() -> None:
    apart = traced(*((("W-1", 380.0, 60.0, 1)),) * 4).jobs[0]
    together = traced(("W-1", 380.0, 60.0, 4)).jobs[0]
    assert together.probability == pytest.approx(apart.probability, rel=1e-12)
    assert together.pulls == apart.pulls == 4


def test_jobs_come_out_the_same_however_many_there_are() -> None:
    """Worked on in parts of whole jobs: more pulls than one part holds."""
    many = [(f"W-{i:04}", 200.0 + i % 190, 60.0, 1 + i % 3) for i in range(1300)]
    alone = {job.job: job for job in traced(*many[600:640]).jobs}
    for job in traced(*many).jobs:
        if job.job in alone:
            assert job.probability == pytest.approx(alone[job.job].probability, rel=1e-12)


def test_what_cannot_be_judged_stands_at_the_head() -> None:
    """Below the marked range there is no limit to have been outside of."""
    found = traced(("W-1", 380.0, 60.0, 2), ("W-2", 200.0, 15.0, 3), ("W-2", 200.0, 60.0, 1))
    assert [job.job for job in found.jobs] == ["W-2", "W-1"]
    assert found.jobs[0].not_judged == found.not_judged == 3
    assert found.jobs[0].probability == pytest.approx(found.pulls[2].probability)
    assert found.pulls[1].probability is None


def test_without_pulls_there_are_still_the_crossings() -> None:
    found = traced()
    assert (found.pulls, found.jobs, found.expected) == ((), (), 0)
    assert [crossing.x for crossing in found.crossings] == [0.2, 0.6, 1.0, None]
    anywhere = found.crossings[-1]
    assert anywhere.never <= min(crossing.never for crossing in found.crossings[:-1])


def test_the_same_question_has_the_same_answer() -> None:
    assert traced(("W-1", 380.0, 60.0, 2)) == traced(("W-1", 380.0, 60.0, 2))


def _findings(*checks: tuple[bool, bool]) -> list[Finding]:
    return [Finding(f"c{i}", inside, after_use) for i, (inside, after_use) in enumerate(checks)]


def _days(count: int) -> "HistoriesOfDays":
    return HistoriesOfDays(np.arange(count) * 100.0)


class HistoriesOfDays:
    """What a stretch reads of a history."""

    def __init__(self, day: Array) -> None:
        self.day = day[None]


IN, OUT, LEFT = (True, True), (False, True), (True, False)


@pytest.mark.parametrize(
    ("checks", "options", "first", "last", "found_out"),
    [
        ((IN, IN, OUT), {}, 1, 2, "c2"),
        ((IN, OUT, LEFT, IN), {}, 0, 1, "c1"),
        ((IN, OUT, OUT), {}, 0, 2, "c2"),
        ((IN, OUT, OUT), {"check": "c1"}, 0, 1, "c1"),
        ((IN, OUT, LEFT, IN), {"until_now": True}, 3, 3, None),
        ((IN, IN), {}, 1, 1, None),
        ((OUT, OUT), {}, 0, 1, "c1"),
    ],
)
def test_the_stretch_runs_from_the_last_good_check(checks, options, first, last, found_out) -> None:
    found = stretch_of(_findings(*checks), _days(len(checks)), 950.0, **options)
    assert (found.first, found.last, found.found_out) == (first, last, found_out)
    assert found.begin_day == 100.0 * first
    assert found.end_day == (950.0 if found_out is None else 100.0 * last)
    assert (found.last_good is None) == (checks[first] == OUT)


def test_a_first_check_outside_says_nothing_of_since_when() -> None:
    with pytest.raises(NotEnoughEvidence, match="first of the wrench"):
        stretch_of(_findings(OUT, LEFT), _days(2), 950.0)


def test_findings_follow_the_readings_and_their_limits() -> None:
    story = Story(
        [
            Visit(0.0, [(0.2, 3.0), (0.2, -4.0)]),
            Visit(9.0, [(0.2, 3.0), (0.2, 4.1)]),
            Visit(9.0, [(0.2, 1.0)], CheckKind.AS_LEFT),
        ]
    )
    frame = deviations_frame([story]).with_columns(mpd_pct=pl.lit(4.0))
    found = findings_of(frame, histories_of(story))
    assert [(each.inside, each.after_use) for each in found] == [IN, OUT, LEFT]
