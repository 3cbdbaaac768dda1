"""Whether the last check shows that a wrench conforms, under each decision rule side by side.

Joins the check, its tester and the policy with what `analysis.conformity` finds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.vocabulary import DecisionRule
from service.records import Check, PastReading, Policy, Tester, Wrench
from service.verdict import Verdict, uncertainty_of, verdict

if TYPE_CHECKING:
    from analysis.conformity import Decision


@dataclass(frozen=True, slots=True)
class JudgedConformity:
    """One check under each rule.

    decisions            of the whole check
    verdict              under the shop's own rule
    uncertainty_pct      U of the tester, % of reading; None when nobody states it
    """

    check: Check
    decisions: "dict[DecisionRule, Decision]"
    verdict: Verdict
    uncertainty_pct: float | None
    coverage_factor: float


def judge_conformity(
    check: Check,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    earlier: Sequence[PastReading],
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
    return JudgedConformity(
        check=check,
        decisions={rule: found.decision for rule, found in by_rule.items()},
        verdict=by_rule[policy.decision_rule],
        uncertainty_pct=uncertainty_pct,
        coverage_factor=coverage_factor,
    )
