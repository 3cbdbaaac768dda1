"""When the bench is advised to measure again."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.remeasure import (
    MeasuredPoint,
    Prediction,
    ReasonKind,
    Scatter,
    advise,
    assumed_scatter,
    largest_quiet_sd,
    outlying_reading,
)

USUAL = Scatter(0.4, 40.0, "40 degrees of freedom of earlier repeats")


def point(*deviations, mpd=4.0, scatter=USUAL, predicted=None, label="20 N.m"):
    values = np.array(deviations, dtype=np.float64)
    limits = None if mpd is None else np.full(values.size, mpd)
    return MeasuredPoint(label, values, limits, scatter, predicted)


def kinds(advice):
    return [reason.kind for reason in advice.reasons]


def test_an_ordinary_check_needs_no_second_measurement():
    advice = advise([point(1.06, 0.86, 0.86), point(0.4, 0.1, 0.7, 0.3, 0.2)])
    assert not advice.advised
    assert advice.reasons == ()
    assert advice.tests == 6  # scatter, trend and outlier at each of two points


@pytest.mark.parametrize(
    "scatter", [USUAL, None, Scatter(0.0, 4.0, "repeats without a difference")]
)
def test_equal_readings_are_no_alarm(scatter):
    """A coarse display or a steady hand: nothing to measure again for."""
    assert not advise([point(0.9, 0.9, 0.9, 0.9, 0.9, scatter=scatter)]).advised


def test_one_display_step_is_no_alarm_even_when_history_shows_no_scatter():
    """0.05 % is one step of 0.01 N·m at 20 N·m."""
    silent = Scatter(0.0, 12.0, "repeats without a difference")
    assert not advise([point(0.9, 0.9, 0.95, scatter=silent)]).advised


def test_scatter_far_beyond_the_usual_is_a_reason():
    advice = advise([point(-2.0, 2.0, -1.8, 2.2, -2.1)])
    assert ReasonKind.SCATTER in kinds(advice)
    text = next(r.text for r in advice.reasons if r.kind is ReasonKind.SCATTER)
    assert "20 N.m" in text
    assert "0.40 % is expected" in text
    assert "2.23 % (SD)" in text


def test_one_reading_far_from_its_fellows_is_named():
    advice = advise([point(0.1, 0.3, 4.0, 0.2, 0.0)])
    found = next(r for r in advice.reasons if r.kind is ReasonKind.OUTLYING_READING)
    assert "reading 3 of 5" in found.text
    assert "+4.00 %" in found.text
    assert "+0.15 %" in found.text


def test_readings_that_settle_are_a_reason():
    """Half a percent less each time: little scatter, no outlier, but a clear trend."""
    advice = advise([point(2.0, 1.6, 1.1, 0.6, 0.2)])
    assert kinds(advice) == [ReasonKind.TREND]
    assert "-0.46 % from one to the next" in advice.reasons[0].text


def test_a_level_far_from_the_last_check_is_a_reason():
    predicted = Prediction(0.2, 0.5, 6.0, "the last check; 6 earlier changes")
    assert not advise([point(0.5, 0.6, 0.4, predicted=predicted)]).advised
    advice = advise([point(5.5, 5.6, 5.4, mpd=None, predicted=predicted)])
    assert kinds(advice) == [ReasonKind.CHANGE]
    assert "+5.50 %" in advice.reasons[0].text
    assert "+0.20 % was expected" in advice.reasons[0].text


def test_a_fail_that_the_tester_could_explain_is_a_reason():
    """4.3 % against 4 % with U 0.6 %: neither in nor out for sure."""
    advice = advise([point(4.3, 3.9, 4.0)], expanded_uncertainty_pct=0.6)
    assert kinds(advice) == [ReasonKind.LIMIT_WITHIN_UNCERTAINTY]
    assert "1 of 3 readings fail, the worst by 0.30 %" in advice.reasons[0].text
    assert advice.reasons[0].p_value is None


def test_a_fail_beyond_doubt_needs_no_second_measurement():
    """One reading certainly out settles the check, whatever the doubtful ones say."""
    doubtful, certain = point(4.3, 3.9, 4.0), point(5.0, 5.1, 4.9, label="60 N.m")
    assert not advise([doubtful, certain], expanded_uncertainty_pct=0.6).advised


def test_a_pass_near_the_limit_is_left_to_the_decision_rule():
    assert not advise([point(3.9, 3.8, 4.0)], expanded_uncertainty_pct=0.6).advised


def test_without_a_known_uncertainty_a_narrow_fail_stands():
    assert not advise([point(4.3, 3.9, 4.0)]).advised


def test_without_a_history_a_quarter_of_the_tolerance_is_assumed():
    assert assumed_scatter(4.0).sd_pct == 1.0
    assert math.isinf(assumed_scatter(4.0).df)
    advice = advise([point(-4.0, 4.0, -3.5, 3.5, 0.0, mpd=4.0, scatter=None)])
    assert "a quarter of the tolerance" in advice.reasons[0].text


def test_with_neither_history_nor_tolerance_few_readings_are_not_tested():
    """Grubbs' test is not to be used on six readings or fewer (e-Handbook 1.3.5.17.1)."""
    few = point(0.0, 0.1, 9.0, 0.1, 0.0, 0.1, mpd=None, scatter=None)
    assert advise([few]).tests == 0
    seven = point(0.0, 0.1, 9.0, 0.1, 0.0, 0.1, 0.2, mpd=None, scatter=None)
    assert kinds(advise([seven])) == [ReasonKind.OUTLYING_READING]


def test_a_single_reading_is_compared_only_with_what_was_expected():
    assert advise([point(0.3)]).tests == 0
    assert advise([point(0.3, predicted=Prediction(0.0, 0.5, 5.0, "the last check"))]).tests == 1


def test_no_points_no_advice():
    assert not advise([]).advised


@pytest.mark.parametrize("known_df", [math.inf, 12.0])
def test_false_alarms_stay_under_the_stated_rate(known_df):
    """4000 seeded checks of 3 x 5 normal readings, sigma from `known_df` degrees of freedom.

    At a rate of 5 % the count stays below 5 % plus three Monte Carlo errors (1.03 %), and the bound
    is not so loose that it is never met: above 2.5 %.
    """
    rng = np.random.default_rng(1969)
    alarms, checks, rate = 0, 4000, 0.05
    for _ in range(checks):
        points = []
        for _ in range(3):
            sd = (
                0.4 if math.isinf(known_df) else 0.4 * math.sqrt(rng.chisquare(known_df) / known_df)
            )
            points.append(point(*rng.normal(0, 0.4, 5), scatter=Scatter(sd, known_df, "seeded")))
        alarms += advise(points, false_alarm_rate=rate).advised
    assert 0.025 < alarms / checks < rate + 3 * math.sqrt(rate * (1 - rate) / checks)


def test_a_slip_of_ten_percent_is_found_almost_always():
    """One reading of five off by 10 % with sigma 0.4 %: 200 seeded checks, all found."""
    rng = np.random.default_rng(7)
    for _ in range(200):
        values = rng.normal(0, 0.4, 5)
        values[rng.integers(5)] += 10.0
        assert ReasonKind.OUTLYING_READING in kinds(advise([point(*values)]))


@given(
    arrays(np.float64, 6, elements=st.floats(-5, 5)),
    st.floats(-3, 3),
    st.permutations(range(6)),
)
def test_the_outlier_does_not_depend_on_level_or_order(values, shift, order):
    _, t, p = outlying_reading(values, USUAL)
    _, shifted_t, shifted_p = outlying_reading(values[list(order)] + shift, USUAL)
    assert shifted_t == pytest.approx(t, rel=1e-6, abs=1e-9)
    assert shifted_p == pytest.approx(p, rel=1e-5, abs=1e-12)


@given(arrays(np.float64, 8, elements=st.floats(-5, 5).map(lambda v: round(v, 3))))
def test_without_an_expectation_the_outlier_does_not_depend_on_the_unit(values):
    """Grubbs' statistic is free of scale."""
    _, t, _ = outlying_reading(values)
    _, scaled, _ = outlying_reading(values * 8.0)
    assert scaled == pytest.approx(t, rel=1e-6) or math.isinf(t)


@pytest.mark.parametrize("scatter", [USUAL, assumed_scatter(4.0)])
def test_the_bench_is_told_the_scatter_that_will_be_a_reason(scatter):
    """Three points of five readings, as planned: the alarm begins where it was told to."""
    told = largest_quiet_sd(scatter, repeats=5, points=3)
    # Neither trend nor outlier: two readings on either side of a middle one, evenly spread.
    shape = np.array([1.0, -1.0, 0.0, -1.0, 1.0])
    shape /= shape.std(ddof=1)
    quiet = point(*(0.0,) * 5, scatter=scatter)
    for factor, alarmed in ((0.999, False), (1.001, True)):
        advice = advise([point(*(factor * told * shape), scatter=scatter), quiet, quiet])
        assert (ReasonKind.SCATTER in kinds(advice)) is alarmed
        assert advice.tests == 9
