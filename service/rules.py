"""A shop's policy as the rules that `analysis` reads."""

from typing import TYPE_CHECKING

from service.records import Policy

if TYPE_CHECKING:
    from analysis.shop import ShopRules


def rules_of(policy: Policy) -> "ShopRules":
    """What the policy says of checks, due dates and pulls."""
    from analysis.due import DuePolicy
    from analysis.shop import ShopRules

    return ShopRules(
        plan_shares=policy.plan_targets,
        plan_repeats=policy.plan_repeats,
        due=DuePolicy(
            reliability_target=policy.reliability_target,
            cap_months=policy.cap_months,
            cap_cycles=policy.cap_cycles,
            floor_days=policy.floor_days,
        ),
        tolerated_pull_risk=policy.tolerated_pull_risk,
    )
