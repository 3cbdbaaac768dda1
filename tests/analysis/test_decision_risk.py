"""How often a rule decides wrongly about a wrench whose history is known."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_histories import a_law, laws_together
from scipy.stats import multivariate_normal, norm

from analysis.conformity import conformance_probability
from analysis.decision_risk import Conformance, conformance, conformance_given, global_risk
from analysis.mixture import Mixture
from analysis.outlook import Outlook
from analysis.risk import pull_risk
from analysis.vocabulary import DecisionRule

MPD = 4.0


def one_normal(mean: float, sd: float) -> Mixture:
    return Mixture.of_equals(np.array([mean]), np.array([sd**2]))


def a_view(knock_chance: float = 0.02, gain: float = 1.5) -> Outlook:
    """One wrench under two laws that disagree a little."""
    law = laws_together(a_law(), a_law(rho_pct=0.6, check_sd=(0.5, 0.05)))
    mean = np.array([[[gain, 0.1]], [[gain - 0.3, 0.2]]])
    cov = np.array([[[[0.9, -0.05], [-0.05, 0.02]]], [[[0.7, 0.0], [0.0, 0.03]]]])
    return Outlook(law=law, mean=mean, cov=cov, knock_chance=np.full((2, 1), knock_chance))


def asked(rule: DecisionRule, u: float = 0.8, view: Outlook | None = None) -> Conformance:
    return conformance(view or a_view(), 0.3, mpd_pct=MPD, rule=rule, expanded_uncertainty_pct=u)


def test_global_risks_agree_with_counting() -> None:
    """A million simulated items, off-centre population, guarded: within four Monte Carlo errors."""
    rng = np.random.default_rng(106)
    true = rng.normal(0.3, 0.5, 1_000_000)
    measured = true + rng.normal(0.0, 0.2, true.size)
    conform = np.abs(true) <= 1.0
    accepted = np.abs(measured) <= 0.9
    risk = global_risk(
        one_normal(0.3, 0.5), measurement_sd=0.2, tolerance=(-1.0, 1.0), acceptance=(-0.9, 0.9)
    )
    for share, expected in (
        (np.mean(~conform & accepted), risk.false_accept),
        (np.mean(conform & ~accepted), risk.false_reject),
    ):
        error = math.sqrt(expected * (1 - expected) / true.size)
        assert abs(share - expected) < 4 * error


@pytest.mark.parametrize(("sd", "u"), [(3.0, 0.02), (0.02, 0.7), (0.5, 0.5)])
def test_global_risks_agree_with_the_bivariate_normal(sd: float, u: float) -> None:
    """A tester far finer than the fleet's spread, one far coarser, and the like of each other."""
    found = global_risk(
        one_normal(0.9, sd), measurement_sd=u, tolerance=(-1.0, 1.0), acceptance=(-0.8, 0.8)
    )
    joint = multivariate_normal([0.9, 0.9], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])
    both = joint.cdf([1.0, 0.8], lower_limit=[-1.0, -0.8], rng=np.random.default_rng(1))
    true, measured = norm(0.9, sd), norm(0.9, math.hypot(sd, u))
    within, accepted = (d.cdf(at) - d.cdf(-at) for d, at in ((true, 1.0), (measured, 0.8)))
    assert found.false_accept == pytest.approx(accepted - both, abs=1e-7)
    assert found.false_reject == pytest.approx(within - both, abs=1e-7)


def test_a_mixture_has_the_average_risk_of_its_parts() -> None:
    parts = [one_normal(0.2, 0.4), one_normal(-0.5, 0.7)]
    both = Mixture(np.array([0.2, -0.5]), np.array([0.4**2, 0.7**2]), np.array([0.3, 0.7]))
    limits = {"measurement_sd": 0.15, "tolerance": (-1.0, 1.0), "acceptance": (-0.9, 0.9)}
    risks = [global_risk(part, **limits) for part in parts]  # type: ignore[arg-type]
    found = global_risk(both, **limits)  # type: ignore[arg-type]
    expected = 0.3 * risks[0].false_accept + 0.7 * risks[1].false_accept
    assert found.false_accept == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("rule", DecisionRule)
def test_conformance_agrees_with_counting(rule: DecisionRule) -> None:
    """400,000 readings drawn from the outlook and measured: within four Monte Carlo errors."""
    view, rng, n = a_view(knock_chance=0.1), np.random.default_rng(9), 400_000
    readings = view.reading_at(0.3)
    part = rng.choice(4, n, p=readings.weight[:, 0])
    true = rng.normal(readings.mean[part, 0], np.sqrt(readings.variance[part, 0]))
    measured = np.abs(true + rng.normal(0.0, 0.4, n))
    found = asked(rule, 0.8, view)
    inside = np.abs(true) <= MPD
    accepted = measured <= found.acceptance_limit_pct
    rejected = measured > found.rejection_limit_pct
    for counted, foretold in (
        (inside, found.within),
        (accepted, found.accepted),
        (rejected, found.rejected),
        (~inside & accepted, found.false_accept),
        (inside & rejected, found.false_reject),
        (inside & ~accepted & ~rejected, found.withheld_within),
    ):
        error = math.sqrt(max(foretold * (1 - foretold), 1 / n) / n)
        assert abs(counted.mean() - foretold) < 4 * error


def test_what_lies_inside_is_what_a_pull_does_not_risk() -> None:
    """The same question as the risk of a pull, asked from the other side."""
    view = a_view()
    outside = float(pull_risk(view, 0.3, MPD)[0])
    assert asked(DecisionRule.SIMPLE).within == pytest.approx(1 - outside, abs=1e-12)


def test_a_guard_band_trades_false_accepts_for_readings_withheld() -> None:
    simple, guarded = asked(DecisionRule.SIMPLE), asked(DecisionRule.GUARDED_BY_U)
    assert guarded.false_accept < 0.1 * simple.false_accept
    assert guarded.false_reject < 0.1 * simple.false_reject
    assert guarded.withheld > 0.02
    assert simple.withheld == 0.0


@pytest.mark.parametrize("rule", DecisionRule)
def test_a_perfect_tester_decides_nothing_wrongly(rule: DecisionRule) -> None:
    found = asked(rule, 0.0)
    assert found.false_accept == found.false_reject == found.withheld == 0.0
    assert found.accepted == pytest.approx(found.within, abs=1e-12)


def test_a_nearly_perfect_tester_is_like_a_perfect_one() -> None:
    nearly, perfect = asked(DecisionRule.SIMPLE, 1e-4), asked(DecisionRule.SIMPLE, 0.0)
    assert nearly.false_accept < 1e-4
    assert nearly.accepted == pytest.approx(perfect.accepted, abs=1e-4)


def test_a_rule_that_accepts_nothing_accepts_nothing_wrongly() -> None:
    found = asked(DecisionRule.GUARDED_BY_U, 5.0)
    assert found.accepted == found.false_accept == 0.0
    assert found.specific_risk is None
    assert found.withheld + found.rejected == pytest.approx(1.0)


def test_a_reading_moves_what_was_known_by_the_textbook_rule() -> None:
    """Normal prior 1 ± 2, reading 3 ± 1: posterior 2.6 with variance 0.8 (weights 1/4 and 1)."""
    found = conformance_given(one_normal(1.0, 2.0), 3.0, 1.0, (-MPD, MPD))
    expected = conformance_probability(2.6, math.sqrt(0.8), lower=-MPD, upper=MPD)
    assert found == pytest.approx(expected, rel=1e-12)


def test_with_nothing_known_before_only_the_reading_counts() -> None:
    """A very wide prior gives the conformance probability of clause 7."""
    found = conformance_given(one_normal(0.0, 1e5), 3.2, 0.5, (-MPD, MPD))
    assert found == pytest.approx(
        conformance_probability(3.2, 0.5, lower=-MPD, upper=MPD), abs=1e-8
    )


def test_the_specific_risk_is_one_in_two_at_the_limit_when_nothing_was_known() -> None:
    """Simple acceptance, JCGM 106:2012 clause 8: the consumer's risk reaches 50 % at the limit."""
    view = a_view(knock_chance=0.0)
    wide = Outlook(view.law, view.mean * 0, view.cov * 1e8, view.knock_chance)
    found = asked(DecisionRule.SIMPLE, 0.8, wide).specific_risk
    assert found == pytest.approx(0.5, abs=1e-3)


@settings(max_examples=40, deadline=None)
@given(
    gain=st.floats(-6.0, 6.0),
    u=st.floats(0.01, 3.0),
    rule=st.sampled_from(DecisionRule),
    knock=st.floats(0.0, 0.5),
)
def test_shares_hang_together(gain: float, u: float, rule: DecisionRule, knock: float) -> None:
    """Probabilities in [0, 1]; accepted and outside cannot exceed outside; mirrored is the same."""
    found = asked(rule, u, a_view(knock, gain))
    view = a_view(knock, gain)
    mirrored = asked(rule, u, Outlook(view.law, -view.mean, view.cov, view.knock_chance))
    assert found.accepted + found.rejected + found.withheld == pytest.approx(1.0, abs=1e-9)
    assert 0.0 <= found.false_accept <= min(found.accepted, 1 - found.within) + 1e-9
    assert 0.0 <= found.false_reject <= min(found.rejected, found.within) + 1e-9
    assert mirrored.false_accept == pytest.approx(found.false_accept, abs=1e-10)
    assert mirrored.within == pytest.approx(found.within, abs=1e-10)
