"""May this wrench be used for this pull: fit, fit with caution, or not fit, with every reason.

The verdict is a rule over findings, not an estimate: anything that forbids outweighs every number,
then the pull risk against the shop's limits, then what a careful technician would want to know.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from analysis.due import Due
from analysis.family import Source
from analysis.numerals import chance, percent
from analysis.standing import Standing
from analysis.vocabulary import Mechanism


class Fitness(StrEnum):
    FIT = "fit"
    CAUTION = "fit_with_caution"
    NOT_FIT = "not_fit"


class Ground(StrEnum):
    """Why a verdict is not plainly fit."""

    OUT_OF_SERVICE = "out_of_service"
    FOUND_OUT = "found_out_of_tolerance"
    NO_EVIDENCE = "no_evidence"
    OUTSIDE_RANGE = "outside_range"
    PULL_RISK_REFUSED = "pull_risk_refused"
    PULL_RISK = "pull_risk_above_tolerated"
    OVERDUE = "overdue"
    CHECK_LIKELY_TO_FAIL = "pass_probability_below_target"
    BELOW_TRUST_FLOOR = "below_trust_floor"
    LOW_IN_RANGE = "low_in_range"
    CARD_ONLY = "card_only"
    FAMILY_DEFAULTS = "family_defaults"
    ANGLE_FOUND_OUT = "angle_found_out_of_tolerance"
    ANGLE_RISK_REFUSED = "angle_risk_refused"
    STEP_RISK_REFUSED = "step_risk_refused"
    ANGLE_RISK = "angle_risk_above_tolerated"
    STEP_RISK = "step_risk_above_tolerated"
    ANGLE_NOT_JUDGED = "angle_not_judged"
    ANGLE_NOT_CHECKED_THERE = "angle_not_checked_there"
    ANGLE_DEFAULTS = "angle_defaults"
    NOT_ACCEPTED = "not_accepted"
    ACCEPTED_FOR_NOW = "accepted_until_first_own_check"


_FORBIDS = frozenset(
    {
        Ground.OUT_OF_SERVICE,
        Ground.FOUND_OUT,
        Ground.NO_EVIDENCE,
        Ground.OUTSIDE_RANGE,
        Ground.PULL_RISK_REFUSED,
        Ground.ANGLE_FOUND_OUT,
        Ground.ANGLE_RISK_REFUSED,
        Ground.STEP_RISK_REFUSED,
        Ground.NOT_ACCEPTED,
    }
)


@dataclass(frozen=True, slots=True)
class Reason:
    """A ground in a sentence that a technician can act on."""

    ground: Ground
    words: str


@dataclass(frozen=True, slots=True)
class Limits:
    """The shop's limits for a verdict.

    tolerated_pull_risk  fit up to here
    refused_pull_risk    not fit above it; with caution between the two
    caution_below        share of full scale below which a spring wrench gets a caution (common
                         practice, no source)
    """

    tolerated_pull_risk: float
    refused_pull_risk: float
    reliability_target: float
    caution_below: float


class RiskNumbers(Protocol):
    """What a verdict reads of a pull's risk; as in `analysis.risk.Risk`."""

    @property
    def pull_risk(self) -> float: ...
    @property
    def low_risk(self) -> float: ...
    @property
    def high_risk(self) -> float: ...
    @property
    def pass_probability(self) -> float: ...
    @property
    def mpd_pct(self) -> float: ...
    @property
    def x(self) -> float: ...


def verdict_of(reasons: Iterable[Reason]) -> Fitness:
    """Not fit when any ground forbids, with caution when there is any other, else fit."""
    grounds = {reason.ground for reason in reasons}
    if grounds & _FORBIDS:
        return Fitness.NOT_FIT
    return Fitness.CAUTION if grounds else Fitness.FIT


def gravest_first(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    """What forbids before what asks for caution, each in the order given."""
    return tuple(sorted(reasons, key=lambda reason: reason.ground not in _FORBIDS))


def reasons_for(
    risk: RiskNumbers,
    due: Due,
    standing: Standing,
    source: Source,
    mechanism: Mechanism,
    limits: Limits,
    day: float,
) -> tuple[Reason, ...]:
    """Every ground that speaks against one pull, the gravest first."""
    reasons = []
    side = "low" if risk.low_risk >= risk.high_risk else "high"
    pull = chance(risk.pull_risk)
    outside = f"the chance that this pull is outside ±{percent(risk.mpd_pct, 3)} is {pull}"
    if standing.found_out:
        reasons.append(
            Reason(
                Ground.FOUND_OUT,
                "a check found it out of tolerance and it has not passed a check as left since",
            )
        )
    if risk.pull_risk > limits.refused_pull_risk:
        reasons.append(
            Reason(
                Ground.PULL_RISK_REFUSED,
                f"{outside}, mostly {side}; the shop refuses above "
                f"{chance(limits.refused_pull_risk)}",
            )
        )
    elif risk.pull_risk > limits.tolerated_pull_risk:
        reasons.append(
            Reason(
                Ground.PULL_RISK,
                f"{outside}, mostly {side}; the shop tolerates "
                f"{chance(limits.tolerated_pull_risk)}",
            )
        )
    if day > due.due_day:
        late = max(round(day - due.due_day), 1)
        days = "day" if late == 1 else "days"
        reasons.append(Reason(Ground.OVERDUE, f"its check is {late} {days} overdue"))
    if risk.pass_probability < limits.reliability_target:
        reasons.append(
            Reason(
                Ground.CHECK_LIKELY_TO_FAIL,
                f"a check that day would pass with probability {chance(risk.pass_probability)}, "
                f"below the shop's {chance(limits.reliability_target)}",
            )
        )
    if mechanism is Mechanism.SPRING and risk.x < limits.caution_below:
        reasons.append(
            Reason(
                Ground.LOW_IN_RANGE,
                f"the torque is {percent(100 * risk.x)} of full scale; below "
                f"{percent(100 * limits.caution_below)} a spring wrench is less "
                "reliable (common practice, no source)",
            )
        )
    if standing.card_only:
        reasons.append(
            Reason(Ground.CARD_ONLY, "only its card speaks for it; the shop has not checked it yet")
        )
    if source == "defaults":
        reasons.append(
            Reason(
                Ground.FAMILY_DEFAULTS,
                "too few wrenches of its kind have been checked twice: assumed values stand in",
            )
        )
    return tuple(reasons)
