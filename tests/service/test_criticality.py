"""What a safety-critical fastener changes about the shop's limits."""

from dataclasses import replace

import pytest

from service.criticality import Criticality, policy_for
from service.records import Policy

POLICY = Policy(tolerated_pull_risk=0.03, refused_pull_risk=0.2, version=7)


def test_an_ordinary_fastener_is_judged_by_the_policy_as_it_stands():
    assert policy_for(POLICY, Criticality.ORDINARY) == POLICY


def test_a_safety_critical_fastener_leaves_a_tenth_of_both_pull_risks():
    tightened = policy_for(POLICY, Criticality.SAFETY_CRITICAL)
    assert tightened.tolerated_pull_risk == pytest.approx(0.003)
    assert tightened.refused_pull_risk == pytest.approx(0.02)


def test_a_safety_critical_fastener_changes_nothing_else():
    tightened = policy_for(POLICY, Criticality.SAFETY_CRITICAL)
    assert (
        replace(
            tightened,
            tolerated_pull_risk=POLICY.tolerated_pull_risk,
            refused_pull_risk=POLICY.refused_pull_risk,
        )
        == POLICY
    )
