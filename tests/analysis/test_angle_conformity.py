"""An angle reading against its limit."""

import pytest

from analysis.angle_conformity import AngleLimit, decide_angle
from analysis.conformity import Decision
from analysis.vocabulary import DecisionRule


@pytest.mark.parametrize(
    ("deg", "pct", "target", "limit"),
    [(2.0, None, 90, 2.0), (None, 2.0, 90, 1.8), (2.0, 2.0, 90, 2.0), (2.0, 2.0, 180, 3.6)],
)
def test_where_both_limits_are_stated_the_larger_counts(deg, pct, target, limit):
    assert AngleLimit(deg, pct).at(target) == pytest.approx(limit)


def decided(deviation, rule=DecisionRule.SIMPLE, uncertainty=None):
    return decide_angle(deviation, 2.0, rule=rule, expanded_uncertainty_deg=uncertainty)


@pytest.mark.parametrize("deviation", [2.0, -2.0])
def test_a_reading_at_the_limit_passes(deviation):
    assert decided(deviation).decision is Decision.ACCEPT
    assert decided(deviation * 1.001).decision is Decision.REJECT


def test_a_guard_band_leaves_what_is_near_the_limit_open():
    rule = DecisionRule.GUARDED_BY_U
    assert decided(1.4, rule, 0.5).decision is Decision.ACCEPT
    assert decided(1.9, rule, 0.5).decision is Decision.INCONCLUSIVE
    assert decided(2.6, rule, 0.5).decision is Decision.REJECT


def test_without_the_uncertainty_of_the_reference_no_guard_band_is_set():
    found = decided(0.1, DecisionRule.GUARDED_BY_U)
    assert found.decision is Decision.INCONCLUSIVE
    assert found.within
    assert "not known" in found.because


def test_a_reading_at_the_limit_is_inside_with_even_chances():
    assert decided(2.0, uncertainty=0.2).conformance_probability == pytest.approx(0.5, abs=1e-9)
