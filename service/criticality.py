"""How much a fastener matters, and how far the shop's limits are tightened where a failure hurts.

The one place that gives the word its meaning: every answer that takes a criticality judges by the
policy that `policy_for` returns.
"""

from dataclasses import replace
from enum import StrEnum
from typing import Final

from service.records import Policy


class Criticality(StrEnum):
    """What is at stake if the fastener is tightened wrongly.

    ordinary         the shop's limits as they are
    safety_critical  wheels, brakes, steering, restraints and the like: a tenth of the limits
    """

    ORDINARY = "ordinary"
    SAFETY_CRITICAL = "safety_critical"


# What is left of the tolerated and of the refused pull risk. A choice of this service, no source.
SHARE_OF_LIMITS: Final = {Criticality.ORDINARY: 1.0, Criticality.SAFETY_CRITICAL: 0.1}


def policy_for(policy: Policy, criticality: Criticality) -> Policy:
    """The shop's policy with the pull risks that it tolerates and refuses for such a fastener.

    Due dates do not depend on a fastener, so nothing else changes, its version neither.
    """
    share = SHARE_OF_LIMITS[criticality]
    return replace(
        policy,
        tolerated_pull_risk=share * policy.tolerated_pull_risk,
        refused_pull_risk=share * policy.refused_pull_risk,
    )
