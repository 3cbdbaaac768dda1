"""An angle reading against its limit: pass or fail, with the uncertainty of the reference.

The rules are those of `conformity`; only the unit is degrees.
"""

from dataclasses import dataclass

from analysis.conformity import Decision, conformance_probability, limits_of_rule
from analysis.deviation import within
from analysis.vocabulary import DecisionRule


@dataclass(frozen=True, slots=True)
class AngleLimit:
    """Maximum permissible deviation of an angle: ± degrees, ± % of the target, or both.

    Where both are stated the larger counts, as makers have it (from memory).
    """

    deg: float | None
    pct: float | None

    def at(self, target_deg: float) -> float:
        """± degrees at a target."""
        return max(self.deg or 0.0, (self.pct or 0.0) / 100.0 * target_deg)


@dataclass(frozen=True, slots=True)
class AngleDecision:
    """What a rule makes of one angle reading.

    within                   inside the limit, the reference taken as exact
    conformance_probability  that the true deviation is inside; None without a stated uncertainty
    because                  in words, with its numbers
    """

    decision: Decision
    within: bool
    conformance_probability: float | None
    because: str


def decide_angle(
    deviation_deg: float,
    mpd_deg: float,
    *,
    rule: DecisionRule,
    expanded_uncertainty_deg: float | None,
    coverage_factor: float = 2.0,
) -> AngleDecision:
    """The decision about one reading against ± MPD, all in degrees; a reading at a limit passes.

    expanded_uncertainty_deg  U = k u of the reference angle, None when nobody states it. The rules
                              that need it then accept and reject nothing.
    """
    inside = within(deviation_deg, mpd_deg)
    limits = limits_of_rule(rule, mpd_deg, expanded_uncertainty_deg, coverage_factor)
    if limits is None:
        because = "the uncertainty of the reference angle is not known, so no guard band can be set"
        return AngleDecision(Decision.INCONCLUSIVE, inside, None, because)
    probability = None
    if expanded_uncertainty_deg is not None:
        probability = conformance_probability(
            deviation_deg,
            expanded_uncertainty_deg / coverage_factor,
            lower=-mpd_deg,
            upper=mpd_deg,
        )
    accepted_to, rejected_from = limits
    if within(deviation_deg, accepted_to):
        decision, words = Decision.ACCEPT, f"is at most {accepted_to:.2f}°"
    elif within(deviation_deg, rejected_from):
        decision = Decision.INCONCLUSIVE
        words = f"lies between {accepted_to:.2f}° and {rejected_from:.2f}°, too near the limit"
    else:
        decision, words = Decision.REJECT, f"is more than {rejected_from:.2f}°"
    return AngleDecision(decision, inside, probability, f"|{deviation_deg:.2f}°| {words}")
