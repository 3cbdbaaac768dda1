"""The drift of one wrench: every number against the joint normal of its history."""

from typing import Any

import numpy as np
import polars as pl
import pytest
from dense_normal import joint_normal
from sample_histories import (
    Story,
    Visit,
    a_law,
    deviations_frame,
    family_of,
    histories_of,
    laws_together,
    readings_at,
    z_of,
)
from scipy.stats import chi2

from analysis.arrays import Array
from analysis.drift import Drift, drift
from analysis.error_law import DAYS_PER_YEAR
from analysis.errors import NotEnoughEvidence
from analysis.history_filter import filter_histories
from analysis.mixture import Mixture, mixture_cdf, summarise
from analysis.own_history import OwnHistory, fit_own_history
from analysis.time_basis import TimeBasis
from analysis.vocabulary import CheckKind

X = (0.2, 0.6, 1.0)
_RANDOM = np.random.default_rng(14)
LAWS = [a_law(), a_law(rate_sd=(0.3, 0.05), rho_pct=0.8)]
LAW = laws_together(*LAWS)
STORY = Story(
    [
        Visit(100.0, readings_at(_RANDOM, X, 5, 0.0)),
        Visit(300.0, readings_at(_RANDOM, X, 5, 2.5)),
        Visit(300.0, readings_at(_RANDOM, X, 5, 0.0), CheckKind.AS_LEFT),
        Visit(520.0, readings_at(_RANDOM, (0.2, 1.0), 5, 0.4)),
        Visit(700.0, readings_at(_RANDOM, X, 5, 6.0), jumped=True),
        Visit(880.0, readings_at(_RANDOM, X, 4, 6.3)),
        Visit(1060.0, readings_at(_RANDOM, X, 5, 6.2)),
    ],
    wrench="A-1",
)
OTHER = Story([Visit(0.0, readings_at(_RANDOM, X, 5, -1.0))], wrench="A-0")
DAY = 1100.0


def _ask(story: Story = STORY, law: Any = LAW, day: float = DAY) -> Drift:
    family = family_of(law, histories_of(OTHER, story))
    return drift(family, 1, deviations_frame([story]), X, day)


ANSWER = _ask()


def _posteriors(day: float) -> tuple[Array, Array]:
    """Mean and covariance of level on a day and rate under each law."""
    both = [joint_normal(law, STORY, (day,)).posterior() for law in LAWS]
    return np.array([m for m, _ in both]), np.array([c for _, c in both])


def test_rates_are_those_of_the_posterior_over_both_laws() -> None:
    """Mean, SD, 95 % interval and two-sided tail of the mixture."""
    mean, cov = _posteriors(DAY)
    for rate, at in ((ANSWER.gain, 2), (ANSWER.offset, 3)):
        mixture = Mixture.of_equals(mean[:, at], cov[:, at, at])
        expected = summarise(mixture)
        assert rate.per_year == pytest.approx(float(expected.mean), abs=1e-9)
        assert rate.sd == pytest.approx(float(expected.sd), abs=1e-9)
        assert rate.lower == pytest.approx(float(expected.lower), abs=1e-7)
        assert rate.upper == pytest.approx(float(expected.upper), abs=1e-7)
        below = float(mixture_cdf(mixture, np.array(0.0)))
        assert rate.tail_probability == pytest.approx(2 * min(below, 1 - below), abs=1e-9)


def test_places_add_gain_and_offset_at_their_share_of_full_scale() -> None:
    """Level on the day of the question, and rate, at each place; no check's effect in it."""
    mean, cov = _posteriors(DAY)
    for place, x in zip(ANSWER.places, X, strict=True):
        z = z_of(x)
        level = summarise(
            Mixture.of_equals(mean[:, :2] @ z, np.einsum("i,kij,j->k", z, cov[:, :2, :2], z))
        )
        assert place.x == x
        assert place.deviation_pct == pytest.approx(float(level.mean), abs=1e-9)
        assert place.deviation_lower_pct == pytest.approx(float(level.lower), abs=1e-7)
        assert place.deviation_upper_pct == pytest.approx(float(level.upper), abs=1e-7)
        rate = Mixture.of_equals(mean[:, 2:] @ z, np.einsum("i,kij,j->k", z, cov[:, 2:, 2:], z))
        assert place.rate.per_year == pytest.approx(float(summarise(rate).mean), abs=1e-9)
        assert place.rate.sd == pytest.approx(float(summarise(rate).sd), abs=1e-9)


def test_evidence_counts_and_weighs() -> None:
    """The weight is the share of the family's variance of rates that own readings removed."""
    evidence = ANSWER.evidence
    assert (evidence.checks, evidence.readings) == (7, 15 * 3 + 10 + 15 + 12 + 15)
    assert (evidence.first_day, evidence.last_day) == (100.0, 1060.0)
    assert (evidence.family, evidence.source, evidence.family_wrenches) == ("invented", "family", 2)
    _, cov = _posteriors(DAY)
    left = np.array([cov[:, 2, 2].mean(), cov[:, 3, 3].mean()])
    before = (LAW.rate_sd**2).mean(axis=0)
    assert evidence.weight_of_own_data == pytest.approx((1 - left / before).max(), abs=1e-9)
    card_only = _ask(Story([STORY.visits[0]], wrench="A-1"))
    assert card_only.evidence.weight_of_own_data == pytest.approx(0.0, abs=1e-9)


def test_segments_begin_at_adjustments_and_jumps() -> None:
    """First check, adjustment at day 300, jump found at day 700."""
    told = [(s.begin_day, s.end_day, s.checks, s.begun_by) for s in ANSWER.segments]
    assert told == [
        (100.0, 300.0, 2, "first check"),
        (300.0, 520.0, 2, "adjustment"),
        (700.0, 1060.0, 3, "jump"),
    ]


def test_the_size_of_a_jump_is_the_step_alone() -> None:
    """Level just after less level just before the check that shows it, drift not counted in."""
    [jump] = ANSWER.jumps
    assert (jump.between_days, jump.check) == ((520.0, 700.0), "A-1/04")
    mean, _ = joint_normal(LAWS[0], STORY, (700.0 - 1e-6, 700.0)).posterior()
    assert jump.gain_pct == pytest.approx(mean[2] - mean[0], abs=1e-4)
    assert jump.offset_pct_of_full_scale == pytest.approx(mean[3] - mean[1], abs=1e-4)


def test_lack_of_fit_sums_the_surprises() -> None:
    """Chi-squared of the prediction errors under the most probable law, two for each check."""
    surprise = filter_histories(LAWS[0], histories_of(STORY), surprises=True).surprise[0, 0]
    assert ANSWER.lack_of_fit.chi_squared == pytest.approx(surprise.sum(), rel=1e-9)
    assert ANSWER.lack_of_fit.degrees_of_freedom == 14
    assert ANSWER.lack_of_fit.p_value == pytest.approx(chi2.sf(surprise.sum(), 14), rel=1e-9)


def test_own_history_is_of_the_current_segment_alone() -> None:
    """The three checks since the jump, their scatter by the most probable law."""
    own = deviations_frame([STORY]).filter(pl.col("day") >= 700.0)
    x = own["x"].to_numpy()
    expected = fit_own_history(
        own["day"].to_numpy() / DAYS_PER_YEAR,
        x,
        own["deviation_pct"].to_numpy(),
        own["check"].to_numpy().astype(str),
        LAWS[0].scatter_variance(x)[0],
    )
    assert isinstance(expected, OwnHistory)
    assert ANSWER.own_history == expected
    assert isinstance(_ask(Story(STORY.visits[:3], wrench="A-1")).own_history, NotEnoughEvidence)


def test_points_are_the_means_of_every_check_and_target() -> None:
    """What is plotted is what was read."""
    expected = (
        deviations_frame([STORY])
        .group_by("check", "x")
        .agg(pl.col("day").first(), pl.col("deviation_pct").mean(), pl.len())
    )
    told = {
        (row["check"], row["x"]): (row["day"], row["deviation_pct"], row["len"])
        for row in expected.iter_rows(named=True)
    }
    assert len(ANSWER.points) == len(told) == 20
    for point in ANSWER.points:
        assert told[point.check, point.x] == pytest.approx(
            (point.day, point.deviation_pct, point.readings)
        )


def test_lines_follow_the_smoothed_level_and_go_a_year_on() -> None:
    """Monthly from the first check to a year after the question, with both bands."""
    for line, x in zip(ANSWER.lines, X, strict=True):
        days = np.array(line.day)
        assert days[0] == 100.0
        assert days[-1] >= DAY + 365.0
        np.testing.assert_allclose(np.diff(days), 30.0)
        z = z_of(x)
        for t in (0, 7, 20, 40):
            both = [joint_normal(law, STORY, (days[t],)).posterior() for law in LAWS]
            mean = np.array([m[:2] @ z for m, _ in both])
            variance = np.array([z @ c[:2, :2] @ z for _, c in both])
            level = summarise(Mixture.of_equals(mean, variance))
            assert line.deviation_pct[t] == pytest.approx(float(level.mean), abs=1e-8)
            assert line.lower_pct[t] == pytest.approx(float(level.lower), abs=1e-6)
            assert line.upper_pct[t] == pytest.approx(float(level.upper), abs=1e-6)
            scatter = (LAW.check_sd**2) @ z**2 + LAW.scatter_variance(np.array(x))
            reading = summarise(Mixture.of_equals(mean, variance + scatter))
            assert line.reading_lower_pct[t] == pytest.approx(float(reading.lower), abs=1e-6)
            assert line.reading_upper_pct[t] == pytest.approx(float(reading.upper), abs=1e-6)


def test_mirrored_readings_mirror_the_drift() -> None:
    """Under laws without a preferred side every sign turns and every width stays."""
    law = a_law(level_mean=(0.0, 0.0), rate_mean=(0.0, 0.0), adjusted_mean=(0.0, 0.0))
    mirrored = Story(
        [Visit(v.day, [(x, -d) for x, d in v.readings], v.kind, v.jumped) for v in STORY.visits],
        wrench="A-1",
    )
    one, other = _ask(law=law), _ask(mirrored, law=law)
    for part in ("gain", "offset"):
        a, b = getattr(one, part), getattr(other, part)
        assert b.per_year == pytest.approx(-a.per_year, abs=1e-9)
        assert (b.lower, b.upper) == pytest.approx((-a.upper, -a.lower), abs=1e-7)
        assert b.tail_probability == pytest.approx(a.tail_probability, abs=1e-7)
    for a, b in zip(one.places, other.places, strict=True):
        assert b.deviation_pct == pytest.approx(-a.deviation_pct, abs=1e-9)


@pytest.mark.parametrize(
    "visits",
    [[Visit(50.0, [(0.6, 1.0)])], [Visit(50.0, [(0.6, 1.0)]), Visit(50.0, [(0.6, 1.2)])]],
    ids=["one reading", "two checks at one instant"],
)
def test_thin_evidence_still_gets_an_answer(visits: list[Visit]) -> None:
    """The family speaks; the wrench's own history says that it cannot."""
    answer = _ask(Story(visits, wrench="A-1"), day=50.0)
    assert isinstance(answer.own_history, NotEnoughEvidence)
    assert np.isfinite([p.deviation_pct for p in answer.places]).all()
    assert answer.gain.lower < answer.gain.per_year < answer.gain.upper
    assert answer.evidence.weight_of_own_data == pytest.approx(0.0, abs=1e-6)


def test_a_rate_is_a_rate_per_calendar_year_at_the_wrenchs_own_pace() -> None:
    """Where drift runs with use, a wrench used twice as much drifts twice as fast.

    The family's rate a year of its clock is the same for both; only the pace differs.
    """
    law = a_law()
    stories = [
        Story(
            [
                Visit(DAYS_PER_YEAR * year, [(0.2, 0.1), (1.0, 0.1)] * 3, cycles=pace * year)
                for year in range(3)
            ],
            wrench=name,
        )
        for name, pace in (("A", 1000.0), ("B", 2000.0), ("C", 1000.0))
    ]
    family = family_of(law, histories_of(*stories), TimeBasis.USE, 1000.0)
    frame = deviations_frame(stories)

    def gain(row: int, wrench: str) -> tuple[float, float]:
        own = frame.filter(frame["wrench"] == wrench)
        found = drift(family, row, own, (0.2, 1.0), 2 * DAYS_PER_YEAR)
        return found.gain.per_year, float(family.state.rate[0, 0, row])

    for row, (wrench, pace) in enumerate((("A", 1.0), ("B", 2.0))):
        told, of_the_clock = gain(row, wrench)
        assert told == pytest.approx(pace * of_the_clock, rel=1e-9)
