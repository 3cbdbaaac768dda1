"""Pass or fail when the tester itself is uncertain: decisions and conformance probability.

Deviations and limits are in % of reading. The tester's expanded uncertainty U = k u (% of reading)
is taken as that of the deviation; the factor X_a / X_r between them differs from one by no more
than the deviation itself.

Source: JCGM 106:2012, clauses 7 (conformance probability) and 8 (acceptance intervals); clause
numbers from memory. What a rule risks for a wrench that is already known: `decision_risk`.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from analysis.deviation import ROUNDING_PCT, within
from analysis.vocabulary import DecisionRule


class Decision(StrEnum):
    """What a rule makes of a reading."""

    ACCEPT = "accept"
    REJECT = "reject"
    INCONCLUSIVE = "inconclusive"


@dataclass(frozen=True, slots=True)
class ReadingDecision:
    """The decision about one reading, and what it rests on.

    decision
    rule
    acceptance_limit_pct     accepted when |deviation| is at most this; negative or zero: never
    rejection_limit_pct      rejected when |deviation| is more than this
    conformance_probability  that the true deviation lies inside the MPD, knowing only this reading
                             and the tester's uncertainty; None when that is not known
    because                  the decision in words, with its numbers
    """

    decision: Decision
    rule: DecisionRule
    acceptance_limit_pct: float
    rejection_limit_pct: float
    conformance_probability: float | None
    because: str


def decide(
    deviation_pct: float,
    mpd_pct: float,
    *,
    rule: DecisionRule,
    expanded_uncertainty_pct: float | None,
    coverage_factor: float = 2.0,
) -> ReadingDecision:
    """The decision about one reading against ± MPD.

    deviation_pct             % of reading
    mpd_pct                   ± % of reading at this reading, > 0
    expanded_uncertainty_pct  U of the tester, % of reading, >= 0; None when not stated, as on many
                              cards. The rules that need it then accept and reject nothing.
    coverage_factor           k, > 0

    A deviation exactly at a limit lies inside it (see `analysis.deviation.within`).
    Source: JCGM 106:2012, clauses 7 (probability) and 8 (simple and guarded acceptance).
    """
    probability = None
    if expanded_uncertainty_pct is not None:
        probability = conformance_probability(
            deviation_pct,
            expanded_uncertainty_pct / coverage_factor,
            lower=-mpd_pct,
            upper=mpd_pct,
        )
    limits = limits_of_rule(rule, mpd_pct, expanded_uncertainty_pct, coverage_factor)
    if limits is None:
        return ReadingDecision(
            Decision.INCONCLUSIVE,
            rule,
            -math.inf,
            math.inf,
            None,
            "the uncertainty of the tester is not known, so no guard band can be set",
        )
    accepted_to, rejected_from = limits
    if within(deviation_pct, accepted_to):
        decision = Decision.ACCEPT
        because = f"|{deviation_pct:.2f} %| is at most {accepted_to:.2f} %"
    elif within(deviation_pct, rejected_from):
        decision = Decision.INCONCLUSIVE
        because = (
            f"|{deviation_pct:.2f} %| lies between {accepted_to:.2f} % and {rejected_from:.2f} %: "
            f"too near the limit of {mpd_pct:.2f} % for a tester whose uncertainty is "
            f"{expanded_uncertainty_pct:.2f} %"
        )
    else:
        decision = Decision.REJECT
        because = f"|{deviation_pct:.2f} %| is more than {rejected_from:.2f} %"
    return ReadingDecision(decision, rule, accepted_to, rejected_from, probability, because)


def limits_of_rule(
    rule: DecisionRule,
    mpd_pct: float,
    expanded_uncertainty_pct: float | None,
    coverage_factor: float = 2.0,
) -> tuple[float, float] | None:
    """Readings within ± the first are accepted, those beyond ± the second rejected.

    Between the two the rule withholds its decision; a first limit below zero accepts nothing. None
    when the rule needs the tester's uncertainty and nobody states it. Arguments as `decide`.

    The 2 % rule has the managed guard band (`managed_guard_share`): at most 2 % of all readings
    are outside and accepted, for readings that are normal about zero with any spread. It bounds
    false accepts alone, so outside the MPD it rejects as the simple rule does.
    """
    if rule is DecisionRule.SIMPLE:
        return mpd_pct, mpd_pct
    if expanded_uncertainty_pct is None:
        return None
    if rule is DecisionRule.GUARDED_BY_U:
        return mpd_pct - expanded_uncertainty_pct, mpd_pct + expanded_uncertainty_pct
    at_k_2 = 2.0 * expanded_uncertainty_pct / coverage_factor
    share = managed_guard_share(mpd_pct / at_k_2) if at_k_2 > 0 else 0.0
    return mpd_pct - share * at_k_2, mpd_pct


def overall(decisions: Iterable[Decision]) -> Decision:
    """The decision about several readings: every one must be accepted; one rejected rejects all.

    Raises ValueError when there are none.
    """
    found = set(decisions)
    if not found:
        raise ValueError("no readings, so no decision")
    for decision in (Decision.REJECT, Decision.INCONCLUSIVE):
        if decision in found:
            return decision
    return Decision.ACCEPT


def conformance_probability(
    value: float,
    standard_uncertainty: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
) -> float:
    """P(lower <= true value <= upper) for a normal posterior about `value`; a step when u is zero.

    All four in one unit; a limit left out is at infinity.
    Source: JCGM 106:2012, clause 7.
    """
    from scipy.special import ndtr  # a second to import: only when a probability is asked for

    if standard_uncertainty == 0.0:
        return float(lower - ROUNDING_PCT <= value <= upper + ROUNDING_PCT)
    high = (upper - value) / standard_uncertainty
    low = (lower - value) / standard_uncertainty
    # Both bounds far in one tail: subtract there, where the digits are.
    if low > 0:
        high, low = -low, -high
    return float(ndtr(high) - ndtr(low))


# Constants of the managed guard band: chosen by its authors so that the false accepts stay under
# 2 % whatever the share of items in tolerance.
_MANAGED: Final = (1.04, 0.38, 0.54)


def managed_guard_share(test_uncertainty_ratio: float) -> float:
    """M in the acceptance limit A = L - M U that holds false accepts under 2 % for any fleet.

    test_uncertainty_ratio  L / U with U at k = 2, > 0
    M is zero from a ratio of about 4.6 on. The fleet's true deviations are taken as normal about
    zero: one that is off to one side can see more.
    Source: M. Dobbert, A Guard-Band Strategy for Managing False-Accept Risk (NCSLI 2008), method 6
    of the handbook to ANSI/NCSL Z540.3-2006.
    """
    a, b, c = _MANAGED
    return max(0.0, a - math.exp(b * math.log(test_uncertainty_ratio) - c))
