"""May this wrench be used for this pull: fit, fit with caution, or not fit, with every reason.

The verdict is a rule over findings, not an estimate: anything that forbids outweighs every number,
then the pull risk against the shop's limits, then what a careful technician would want to know.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.due import Due
from analysis.family import Source
from analysis.numerals import chance, counted, percent
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


@dataclass(frozen=True, slots=True)
class PullFacts:
    """What the rules read: of one pull, or of N pulls in arrays (N,).

    spring     whether the mechanism is a spring
    defaults   whether assumed values stand in for the family's own law
    """

    pull_risk: Array | float
    pass_probability: Array | float
    x: Array | float
    day: float
    due_day: Array | float
    found_out: Flags | bool
    card_only: Flags | bool
    spring: Flags | bool
    defaults: Flags | bool


# When each ground speaks against a pull, in the order in which they are told.
_RULES: Final[Mapping[Ground, Callable[[PullFacts, Limits], Flags | bool]]] = {
    Ground.FOUND_OUT: lambda of, _: of.found_out,
    Ground.PULL_RISK_REFUSED: lambda of, by: of.pull_risk > by.refused_pull_risk,
    Ground.PULL_RISK: lambda of, by: (
        (of.pull_risk > by.tolerated_pull_risk) & (of.pull_risk <= by.refused_pull_risk)
    ),
    Ground.OVERDUE: lambda of, _: of.day > of.due_day,
    Ground.CHECK_LIKELY_TO_FAIL: lambda of, by: of.pass_probability < by.reliability_target,
    Ground.LOW_IN_RANGE: lambda of, by: of.spring & (of.x < by.caution_below),
    Ground.CARD_ONLY: lambda of, _: of.card_only,
    Ground.FAMILY_DEFAULTS: lambda of, _: of.defaults,
}


def forbids(ground: Ground) -> bool:
    """Whether nothing outweighs it."""
    return ground in _FORBIDS


def verdicts(of: PullFacts, limits: Limits) -> NDArray[np.intp]:
    """(N,) places in `Fitness` of the verdicts that `reasons_for` would lead to.

    of   in arrays
    """
    held = {ground: np.asarray(rule(of, limits)) for ground, rule in _RULES.items()}
    forbidden = np.logical_or.reduce([held[ground] for ground in held if forbids(ground)])
    against = np.logical_or.reduce(list(held.values()))
    order = list(Fitness)
    worst, doubt = order.index(Fitness.NOT_FIT), order.index(Fitness.CAUTION)
    return np.where(forbidden, worst, np.where(against, doubt, order.index(Fitness.FIT)))


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
    facts = PullFacts(
        pull_risk=risk.pull_risk,
        pass_probability=risk.pass_probability,
        x=risk.x,
        day=day,
        due_day=due.due_day,
        found_out=standing.found_out,
        card_only=standing.card_only,
        spring=mechanism is Mechanism.SPRING,
        defaults=source == "defaults",
    )
    return tuple(
        Reason(ground, _words(ground, risk, due, limits, day))
        for ground, rule in _RULES.items()
        if rule(facts, limits)
    )


def _words(ground: Ground, risk: RiskNumbers, due: Due, limits: Limits, day: float) -> str:
    side = "low" if risk.low_risk >= risk.high_risk else "high"
    pull = chance(risk.pull_risk)
    outside = f"the chance that this pull is outside ±{percent(risk.mpd_pct, 3)} is {pull}"
    match ground:
        case Ground.FOUND_OUT:
            return "a check found it out of tolerance and it has not passed a check as left since"
        case Ground.PULL_RISK_REFUSED:
            refused = chance(limits.refused_pull_risk)
            return f"{outside}, mostly {side}; the shop refuses above {refused}"
        case Ground.PULL_RISK:
            tolerated = chance(limits.tolerated_pull_risk)
            return f"{outside}, mostly {side}; the shop tolerates {tolerated}"
        case Ground.OVERDUE:
            late = max(round(day - due.due_day), 1)
            return f"its check is {counted(late, 'day')} overdue"
        case Ground.CHECK_LIKELY_TO_FAIL:
            return (
                f"a check that day would pass with probability {chance(risk.pass_probability)}, "
                f"below the shop's {chance(limits.reliability_target)}"
            )
        case Ground.LOW_IN_RANGE:
            return (
                f"the torque is {percent(100 * risk.x)} of full scale; below "
                f"{percent(100 * limits.caution_below)} a spring wrench is less "
                "reliable (common practice, no source)"
            )
        case Ground.CARD_ONLY:
            return "only its card speaks for it; the shop has not checked it yet"
        case Ground.FAMILY_DEFAULTS:
            return "too few wrenches of its kind have been checked twice: assumed values stand in"
        case _:
            raise ValueError(f"{ground} is no rule of this module")
