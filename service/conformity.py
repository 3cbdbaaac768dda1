"""Whether the last check shows that a wrench conforms, under each decision rule side by side.

Joins the check, its tester and the policy with what `analysis.conformity` finds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.vocabulary import DecisionRule
from service.records import Check, Policy, Tester, Wrench
from service.verdict import Verdict, uncertainty_of, verdict

if TYPE_CHECKING:
    from analysis.conformity import Decision


@dataclass(frozen=True, slots=True)
class ManagedGuard:
    """The guard band that holds false accepts under 2 % for any fleet.

    share      M in the acceptance limit A = L - M U, at the reading with the narrowest limit
    accepted   every reading lies inside its own A
    """

    share: float
    accepted: bool


@dataclass(frozen=True, slots=True)
class JudgedConformity:
    """One check under each rule.

    decisions            of the whole check
    verdict              under the shop's own rule
    uncertainty_pct      U of the tester, % of reading; None when nobody states it
    managed              None without U
    """

    check: Check
    decisions: "dict[DecisionRule, Decision]"
    verdict: Verdict
    uncertainty_pct: float | None
    coverage_factor: float
    managed: ManagedGuard | None


def judge_conformity(
    check: Check,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    earlier: Sequence[Check],
) -> JudgedConformity:
    """The check under each rule; arguments as for `service.verdict.verdict`."""
    by_rule = {
        rule: verdict(
            check,
            wrench=wrench,
            tester=tester,
            policy=replace(policy, decision_rule=rule),
            earlier=earlier,
        )
        for rule in DecisionRule
    }
    uncertainty_pct, coverage_factor = uncertainty_of(check, tester)
    own = by_rule[policy.decision_rule]
    return JudgedConformity(
        check=check,
        decisions={rule: found.decision for rule, found in by_rule.items()},
        verdict=own,
        uncertainty_pct=uncertainty_pct,
        coverage_factor=coverage_factor,
        managed=_managed(own, uncertainty_pct, coverage_factor),
    )


def _managed(
    judged: Verdict, uncertainty_pct: float | None, coverage_factor: float
) -> ManagedGuard | None:
    from analysis.conformity import managed_guard_share
    from analysis.deviation import within

    if uncertainty_pct is None:
        return None
    # The published guard band is stated for U at k = 2.
    expanded_pct = 2.0 * uncertainty_pct / coverage_factor
    shares, accepted = [], True
    for point in judged.points:
        for reading in point.readings:
            share = managed_guard_share(reading.mpd_pct / expanded_pct)
            shares.append(share)
            accepted &= within(reading.deviation_pct, reading.mpd_pct - share * expanded_pct)
    return ManagedGuard(share=max(shares), accepted=accepted)
