"""Decisions under tester uncertainty."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.conformity import (
    Decision,
    conformance_probability,
    decide,
    overall,
)
from analysis.vocabulary import DecisionRule

deviations = st.floats(-12.0, 12.0)
uncertainties = st.floats(0.0, 3.0)


def made(deviation, rule, u, mpd=4.0):
    return decide(deviation, mpd, rule=rule, expanded_uncertainty_pct=u)


YES, DOUBT, NO = Decision.ACCEPT, Decision.INCONCLUSIVE, Decision.REJECT


@pytest.mark.parametrize(
    ("deviation", "simple", "guarded", "two_pct"),
    [
        (2.0, YES, YES, YES),
        (3.0, YES, YES, YES),  # exactly at MPD - U
        (3.1, YES, DOUBT, YES),
        (3.93, YES, DOUBT, YES),  # the managed guard band is 0.053121 U at a ratio of 4
        (3.95, YES, DOUBT, DOUBT),
        (4.0, YES, DOUBT, DOUBT),  # exactly at the MPD
        (4.01, NO, DOUBT, NO),
        (5.0, NO, DOUBT, NO),  # exactly at MPD + U
        (5.01, NO, NO, NO),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_each_rule_at_and_about_its_limits(deviation, simple, guarded, two_pct, sign):
    """MPD ±4 %, U 1 %."""
    assert made(sign * deviation, DecisionRule.SIMPLE, 1.0).decision is simple
    assert made(sign * deviation, DecisionRule.GUARDED_BY_U, 1.0).decision is guarded
    assert made(sign * deviation, DecisionRule.FALSE_ACCEPT_2_PCT, 1.0).decision is two_pct


def test_the_two_percent_rule_counts_uncertainty_at_k_2():
    """U 2.25 % at k 3 is U 1.5 % at k 2."""
    found = {
        k: decide(
            3.9,
            4.0,
            rule=DecisionRule.FALSE_ACCEPT_2_PCT,
            expanded_uncertainty_pct=u,
            coverage_factor=k,
        ).acceptance_limit_pct
        for k, u in ((2.0, 1.5), (3.0, 2.25))
    }
    assert found[2.0] == pytest.approx(found[3.0], rel=1e-12)
    assert found[2.0] < 4.0


@pytest.mark.parametrize("u", [0.0, 0.3, 4.0 / 4.61])
def test_a_good_tester_needs_no_guard_band_under_the_two_percent_rule(u):
    """From a ratio of about 4.6 on it is the simple rule."""
    assert made(4.0, DecisionRule.FALSE_ACCEPT_2_PCT, u).decision is Decision.ACCEPT
    assert made(4.001, DecisionRule.FALSE_ACCEPT_2_PCT, u).decision is Decision.REJECT


def test_a_tester_far_too_coarse_accepts_nothing_under_the_two_percent_rule():
    found = made(0.0, DecisionRule.FALSE_ACCEPT_2_PCT, 8.0)
    assert found.decision is Decision.INCONCLUSIVE
    assert found.acceptance_limit_pct < 0


@pytest.mark.parametrize("rule", [DecisionRule.GUARDED_BY_U, DecisionRule.FALSE_ACCEPT_2_PCT])
def test_an_unknown_uncertainty_leaves_a_rule_that_needs_it_without_a_decision(rule):
    """Many cards state none; the simple rule still decides, without a probability."""
    guarded = made(0.0, rule, None)
    assert guarded.decision is Decision.INCONCLUSIVE
    assert "not known" in guarded.because
    simple = made(0.0, DecisionRule.SIMPLE, None)
    assert simple.decision is Decision.ACCEPT
    assert simple.conformance_probability is None


def test_a_tester_worse_than_the_wrench_can_accept_nothing():
    """U above the MPD: there is no acceptance interval, and the limit shows it."""
    found = made(0.0, DecisionRule.GUARDED_BY_U, 5.0)
    assert found.decision is Decision.INCONCLUSIVE
    assert found.acceptance_limit_pct < 0


def test_the_words_carry_the_numbers():
    because = made(4.2, DecisionRule.GUARDED_BY_U, 0.6).because
    assert all(number in because for number in ("4.20 %", "3.40 %", "4.60 %", "0.60 %"))


@given(deviations, uncertainties, st.sampled_from(DecisionRule))
def test_no_rule_contradicts_the_simple_one(deviation, u, rule):
    """It may only withhold: what it accepts is inside the MPD, what it rejects is outside."""
    simple = made(deviation, DecisionRule.SIMPLE, u).decision
    assert made(deviation, rule, u).decision in (simple, Decision.INCONCLUSIVE)


@given(deviations, st.floats(0.001, 3.0))
def test_conformance_probability_is_even_and_falls_with_distance(deviation, u):
    here, mirrored, farther = (
        conformance_probability(value, u, lower=-4.0, upper=4.0)
        for value in (deviation, -deviation, deviation * 1.1)
    )
    assert 0.0 <= here <= 1.0
    assert mirrored == pytest.approx(here, rel=1e-9, abs=1e-300)
    assert farther <= here + 1e-15


def test_conformance_probability_keeps_its_digits_in_the_far_tail():
    """Twenty standard uncertainties outside on the upper side: not rounded to zero."""
    inside = conformance_probability(4.0 + 20 * 0.1, 0.1, lower=-4.0, upper=4.0)
    assert inside == pytest.approx(2.7536e-89, rel=1e-4)  # Φ(-20), tables of the normal tail


def test_a_perfect_tester_makes_probability_a_step():
    assert conformance_probability(4.0, 0.0, lower=-4.0, upper=4.0) == 1.0
    assert conformance_probability(4.001, 0.0, lower=-4.0, upper=4.0) == 0.0


def test_one_rejected_reading_rejects_all():
    assert overall([YES, YES]) is YES
    assert overall([YES, DOUBT]) is DOUBT
    assert overall([DOUBT, NO, YES]) is NO
    with pytest.raises(ValueError, match="no readings"):
        overall([])
