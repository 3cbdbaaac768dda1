"""May this wrench be used for this pull: the risk, the verdict, and a better wrench if any.

Joins what the records say (in service or not) with what `analysis` finds.
"""

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

from service.acceptance import AcceptanceVerdict, judge_acceptance
from service.criticality import Criticality, policy_for
from service.records import Policy, ServiceStatus, Wrench
from service.torque import Torque
from service.wording import torque_in_words

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.fitness import Fitness, Limits, Reason
    from analysis.risk import Foreseen, Risk
    from analysis.shop import Shop
    from analysis.shop_day import ShopDay
    from analysis.standing import Standing
    from analysis.vocabulary import Direction
    from service.proofs import Proof
    from service.shop_evidence import ShopEvidence

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True)
class DueDates:
    """The due dates of a shop's wrenches on a day, one by one."""

    evidence: "ShopEvidence"
    policy: Policy
    today: float

    def __getitem__(self, member: "tuple[str, Direction]") -> "Due":
        """Of a wrench in a direction; raises as `analysis.shop.due_of_wrench` does."""
        return self.evidence.due(self.policy, self.today, *member)

    def all(self) -> "Mapping[tuple[str, Direction], Due]":
        """Every one, worked out together."""
        return self.evidence.all_due(self.policy, self.today)


@dataclass(frozen=True, slots=True)
class PullDay:
    """What every pull of one day is judged by; built by `of`.

    due     of every wrench and direction of the shop that has a reading and a stated tolerance,
            each worked out when it is asked for; whoever needs all of them asks `all_due` first
    policy  the shop's, with its limits for the fastener's criticality
    today   the day on which the pulls are foreseen
    day     UTC days since 1970-01-01, of the pulls
    proofs  what speaks for accepting each wrench in each direction, with a reading or not
    """

    evidence: "ShopEvidence"
    shop: "Shop"
    due: "DueDates"
    policy: Policy
    today: float
    day: float
    proofs: "Mapping[tuple[str, Direction], tuple[Proof, ...]]"

    @classmethod
    def of(
        cls,
        evidence: "ShopEvidence",
        policy: Policy,
        today: float,
        *,
        day: float | None = None,
        criticality: Criticality = Criticality.ORDINARY,
    ) -> "PullDay":
        """The pulls of a day foreseen today; `day` None: today's."""
        limits = policy_for(policy, criticality)
        return cls(
            evidence=evidence,
            shop=evidence.under(limits),
            due=DueDates(evidence, policy, today),
            policy=limits,
            today=today,
            day=today if day is None else day,
            proofs=evidence.proofs,
        )

    @property
    def shop_day(self) -> "ShopDay":
        """Every wrench of the shop on that day, whatever the fastener."""
        return self.evidence.shop_day(self.policy, self.today, self.day)

    def standing(self, serial: str, direction: "Direction") -> "Standing":
        return self.evidence.standing(serial, direction)

    def acceptance(self, wrench: Wrench, direction: "Direction") -> "Reason | None":
        """`acceptance_reason` of the wrench that day: the same for every fastener."""
        (reason,) = self.evidence.by_checks.get(
            (wrench.serial, direction),
            "acceptance",
            (wrench, self.policy.version, self.day),
            lambda: (acceptance_reason(wrench, direction, self.proofs, self.policy, self.day),),
        )
        return reason

    def foreseen(self, member: "tuple[str, Direction]") -> "Foreseen":
        """A wrench in a direction that day, whatever the pull; raises as `due` does."""
        from analysis.shop import foreseen_of_wrench

        def made() -> "Foreseen":
            # Today's chance the due date has found on its way.
            passing = self.due[member].waits[0].pass_probability if self.day == self.today else None
            return foreseen_of_wrench(self.shop, *member, self.day, passing)

        by = self.policy.version, self.today, self.day
        return self.evidence.by_member.get(member, "foreseen", by, made)

    def kept_of(
        self,
        wrench: Wrench,
        direction: "Direction",
        torque_nm: float | None,
        make: "Callable[[], JudgedPull]",
    ) -> "JudgedPull":
        """The verdict on a pull of one wrench, worked out once while what it rests on stands."""
        member = wrench.serial, direction
        return self.evidence.judged.get(
            member,
            torque_nm,
            (wrench, self.policy, self.today, self.day, self.evidence.use_of(member)),
            make,
        )

    def kept(self, what: Hashable, make: Callable[[], Made]) -> Made:
        """What is worked out once for the day, whatever the fastener."""
        return self.evidence.by_work.get((what, self.policy.version, self.today, self.day), make)


@dataclass(frozen=True, slots=True)
class JudgedPull:
    """The risk of one pull of one wrench with the verdict on it."""

    wrench: str
    risk: "Risk"
    fitness: "Fitness"
    reasons: "tuple[Reason, ...]"


def torque_of(wrench: Wrench, x: float) -> Torque:
    """The torque at a share of full scale, in the unit of the wrench's own scale."""
    # Ten digits: the product's rounding noise is nothing that a scale has.
    return Torque.of(float(f"{x * wrench.full_scale.value:.10g}"), wrench.full_scale.unit)


def judge_pull(
    by: PullDay, wrench: Wrench, direction: "Direction", torque_nm: float | None
) -> JudgedPull:
    """The verdict on a pull; without a torque, at the plan's riskiest target.

    Raises OutsideRange and NotEnoughEvidence as `analysis.shop` does.
    """
    from analysis.shop import risk_of_pull, worst_risk

    member = wrench.serial, direction
    if torque_nm is None:
        risk = worst_risk(by.shop, *member, by.foreseen(member))
    else:
        by.shop.ranges[wrench.serial].share(torque_nm)  # out of range: told before all else
        risk = risk_of_pull(by.shop, *member, torque_nm, by.foreseen(member))
    return verdict_on(by, wrench, direction, risk)


def verdict_on(by: PullDay, wrench: Wrench, direction: "Direction", risk: "Risk") -> JudgedPull:
    """The verdict on a pull whose risk is known."""
    from analysis.fitness import Ground, Reason, gravest_first, reasons_for, verdict_of

    policy = by.policy
    found = by.standing(wrench.serial, direction)
    reasons = reasons_for(
        risk,
        by.due[wrench.serial, direction],
        found,
        by.shop.fit.place(wrench.serial, direction)[0].source,
        wrench.mechanism,
        limits_of(policy),
        by.day,
    )
    if risk.pull_risk > policy.tolerated_pull_risk:
        reasons = (*reasons, *_trust_floor(by, wrench, direction, risk.x))
    if acceptance := by.acceptance(wrench, direction):
        reasons = gravest_first((*reasons, acceptance))
    if wrench.status is ServiceStatus.OUT_OF_SERVICE:
        words = f"it is out of service: {wrench.status_reason}"
        if found.found_out and wrench.quarantined_alone(direction):
            words = "it is out of service by its own check"  # which the next reason tells of
        reasons = (Reason(Ground.OUT_OF_SERVICE, words), *reasons)
    return JudgedPull(wrench.serial, risk, verdict_of(reasons), reasons)


def limits_of(policy: Policy) -> "Limits":
    """What a verdict holds a pull against."""
    from analysis.fitness import Limits

    return Limits(
        tolerated_pull_risk=policy.tolerated_pull_risk,
        refused_pull_risk=policy.refused_pull_risk,
        reliability_target=policy.reliability_target,
        caution_below=policy.caution_below,
    )


def _trust_floor(
    by: PullDay, wrench: Wrench, direction: "Direction", x: float
) -> "tuple[Reason, ...]":
    """From which torque on the wrench may be trusted that day, where the pull lies below."""
    from analysis.fitness import Ground, Reason
    from analysis.numerals import percent
    from analysis.trust_floor import trusted_window

    window = trusted_window(by.shop, wrench.serial, direction, by.day)
    if window.lowest is None or x >= window.lowest:
        return ()
    floor = torque_in_words(torque_of(wrench, window.lowest))
    share = percent(100 * window.lowest)
    words = f"by its own checks it may be trusted from {floor} on, {share} of full scale"
    return (Reason(Ground.BELOW_TRUST_FLOOR, words),)


def acceptance_reason(
    wrench: Wrench,
    direction: "Direction",
    proofs: "Mapping[tuple[str, Direction], tuple[Proof, ...]]",
    policy: Policy,
    day: float,
) -> "Reason | None":
    """What acceptance says against using a wrench: none is fit that is not accepted.

    One that a check found out is told so by its standing already.
    """
    from analysis.fitness import Ground, Reason

    found = judge_acceptance(
        wrench, direction, proofs.get((wrench.serial, direction), ()), policy, day
    )
    match found.verdict:
        case AcceptanceVerdict.NOT_ACCEPTED if not found.found_out:
            return Reason(Ground.NOT_ACCEPTED, f"it is not accepted: {found.because}")
        case AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK:
            until = "for now" if found.own_checks else "only until its first own check"
            words = f"it is accepted {until}, {found.because}"
            return Reason(Ground.ACCEPTED_FOR_NOW, words)
        case _:
            return None


# Chances below this are alike: a wide limit would else put a coarse wrench before an exact one.
# A choice of this service, no source.
ALIKE_BELOW: Final = 0.001


def choice_order(
    judged: JudgedPull, fitness: "Fitness | None" = None, off: float | None = None
) -> tuple[int, float, float, str]:
    """The smaller comes first: fit before fit with caution before not fit, the lower chance that
    the pull is off, then the pull expected nearer its torque (deviation and twice its SD).

    fitness, off   verdict and chance of a whole that the pull is part of; None: of the pull
    """
    from analysis.fitness import Fitness

    risk = judged.risk
    return (
        list(Fitness).index(judged.fitness if fitness is None else fitness),
        max(risk.pull_risk if off is None else off, ALIKE_BELOW),
        abs(risk.deviation_pct) + 2.0 * risk.deviation_sd_pct,
        judged.wrench,
    )
