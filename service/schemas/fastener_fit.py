"""The fit of wrenches for a fastener: what is asked, and the answer."""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.angle import AngleBasis
from analysis.fitness import Fitness
from analysis.vocabulary import Direction
from service import cautions, fastener_fit, records
from service.criticality import Criticality
from service.fastener import Fastener, Thread, direction_of
from service.fastener_fit import AngleGap, JudgedAngle, JudgedFit, NotJudged, UnjudgedAngle
from service.fit_wording import angle_in_words, fit_in_words, in_unit_of, seating_in_words
from service.frames import instant_of_day
from service.schemas.analyses import FiniteOrNull, MethodAnswer, by_status
from service.schemas.base import AngleDeg, Answer, Input, Line, UtcInstant
from service.schemas.risk import GroundAnswer
from service.schemas.torque import PositiveTorqueInput, TorqueAnswer


class AngleStepInput(Input):
    """The angle that the fastener is turned by after its seating torque."""

    degrees: AngleDeg


class FastenerInput(Input):
    """What is to be tightened, by the vehicle maker's procedure."""

    name: Line | None = None
    torque: PositiveTorqueInput = Field(
        description="The torque; the seating torque, when an angle step follows."
    )
    direction: Direction | None = Field(
        default=None,
        description="Of the pull. Clockwise when neither direction nor thread is sent.",
    )
    thread: Thread | None = Field(
        default=None,
        description="Another way to say the direction: a left-hand thread is tightened"
        " counter-clockwise.",
    )
    criticality: Criticality = Field(
        default=Criticality.ORDINARY,
        description="For safety_critical the tolerated and the refused pull risk are a tenth of the"
        " shop's (a choice of this service, no source).",
    )
    angle: AngleStepInput | None = None

    def fastener(self) -> Fastener:
        """Raises Refused when direction and thread contradict each other."""
        return Fastener(
            name=self.name,
            torque=self.torque.torque(),
            direction=direction_of(self.direction, self.thread, "/fastener/thread"),
            criticality=self.criticality,
            angle_deg=self.angle.degrees if self.angle else None,
        )


class FastenerFitInput(Input):
    """A question about one wrench, or about the whole shop when none is named."""

    fastener: FastenerInput
    wrench: Line | None = Field(default=None, description="Serial of the wrench asked about.")
    on: date | None = Field(
        default=None, description="Date of the pull in the shop's time zone; today when left out."
    )
    limit: Annotated[int, Field(ge=1, le=200)] = Field(
        default=10, description="How many wrenches to list, the best first."
    )


class FastenerAnswer(Answer):
    """The fastener as it was understood."""

    name: str | None
    torque: TorqueAnswer
    direction: Direction
    criticality: Criticality
    angle_deg: float | None
    tolerated_pull_risk: float = Field(description="Fit up to here, for this criticality.")
    refused_pull_risk: float = Field(description="Not fit above it.")

    @classmethod
    def of(cls, fastener: Fastener, limits: records.Policy) -> Self:
        return cls(
            name=fastener.name,
            torque=TorqueAnswer.of(fastener.torque),
            direction=fastener.direction,
            criticality=fastener.criticality,
            angle_deg=fastener.angle_deg,
            tolerated_pull_risk=limits.tolerated_pull_risk,
            refused_pull_risk=limits.refused_pull_risk,
        )


class MarginAnswer(Answer):
    """From the expected deviation to the nearer limit; negative when it lies beyond."""

    nearer_limit: Literal["lower", "upper"]
    torque: TorqueAnswer = Field(description="In the unit of the question, and in N·m.")
    pct: float = Field(description="% of reading.")
    standard_deviations: FiniteOrNull

    @classmethod
    def of(cls, fit: JudgedFit, fastener: Fastener) -> Self:
        margin = fit.margin
        return cls(
            nearer_limit="lower" if margin.low else "upper",
            torque=TorqueAnswer.of(in_unit_of(margin.nm, fastener.torque)),
            pct=margin.pct,
            standard_deviations=margin.sds,
        )


class SeatingAnswer(Answer):
    """The seating torque by itself: what an angle step afterwards builds on."""

    fitness: Fitness = Field(description="Of the torque alone.")
    x_pct_of_full_scale: float
    low_in_range: bool = Field(description="Below the share of full scale that the shop marks.")
    undershoot: float = Field(description="Chance that less than the lower limit is delivered.")
    overshoot: float = Field(description="Chance that more than the upper limit is delivered.")
    overshoot_above_tolerated: bool = Field(
        description="The overshoot alone is above the pull risk that is tolerated."
    )
    in_words: str

    @classmethod
    def of(cls, fit: JudgedFit, limits: records.Policy) -> Self:
        risk = fit.pull.risk
        return cls(
            fitness=fit.pull.fitness,
            x_pct_of_full_scale=100 * risk.x,
            low_in_range=risk.x < limits.caution_below,
            undershoot=risk.low_risk,
            overshoot=risk.high_risk,
            overshoot_above_tolerated=risk.high_risk > limits.tolerated_pull_risk,
            in_words=seating_in_words(fit, limits),
        )


class AngleJudgedAnswer(Answer):
    """The angle of the step, foreseen from this wrench's angle checks."""

    status: Literal["answered"] = "answered"
    mpd_deg: float
    risk: float = Field(description="Chance that the angle is off by more than the limit.")
    too_small: float = Field(description="Its part by turning less than the wrench shows.")
    too_large: float
    deviation_deg: float = Field(description="Expected; positive turns less than shown.")
    scale_deg: float = Field(description="Of the Student t about it, everything included.")
    degrees_of_freedom: FiniteOrNull = Field(
        description="Of the Student t; null where it is a normal distribution."
    )
    spreads_from: AngleBasis = Field(
        description="own_checks; or defaults: with one or two checks assumed spreads stand in."
    )
    checks: int
    readings: int
    last_check_at: UtcInstant
    checked_there: bool = Field(description="The step lies among the targets that were checked.")

    @classmethod
    def of(cls, angle: JudgedAngle) -> Self:
        law, forecast = angle.law, angle.forecast
        return cls(
            mpd_deg=forecast.mpd_deg,
            risk=forecast.risk,
            too_small=forecast.too_small,
            too_large=forecast.too_large,
            deviation_deg=forecast.mean_deg,
            scale_deg=forecast.scale_deg,
            degrees_of_freedom=forecast.df,
            spreads_from=law.basis,
            checks=law.checks,
            readings=law.readings,
            last_check_at=instant_of_day(law.last_check_day),
            checked_there=not forecast.beyond_checked,
        )


class _AngleUnjudged(Answer):
    because: str
    needed: str


class AngleNotMeasuredAnswer(_AngleUnjudged):
    """The wrench measures no angle: it must be measured by other means."""

    status: Literal["not_measured_by_this_wrench"] = "not_measured_by_this_wrench"


class AngleNotCountedAnswer(_AngleUnjudged):
    """The step is larger than the wrench counts: it must be measured by other means."""

    status: Literal["more_than_this_wrench_counts"] = "more_than_this_wrench_counts"


class AngleNotEnoughAnswer(_AngleUnjudged):
    """No angle check speaks for the wrench: the angle must be measured by other means."""

    status: Literal["not_enough_evidence"] = "not_enough_evidence"


AngleOfStep = Annotated[
    AngleJudgedAnswer | AngleNotMeasuredAnswer | AngleNotCountedAnswer | AngleNotEnoughAnswer,
    by_status(),
]


def _angle(angle: JudgedAngle | UnjudgedAngle) -> AngleOfStep:
    if isinstance(angle, JudgedAngle):
        return AngleJudgedAnswer.of(angle)
    because, needed = angle.because, angle.needed
    match angle.gap:
        case AngleGap.NOT_MEASURED:
            return AngleNotMeasuredAnswer(because=because, needed=needed)
        case AngleGap.NOT_COUNTED:
            return AngleNotCountedAnswer(because=because, needed=needed)
        case AngleGap.NO_EVIDENCE:
            return AngleNotEnoughAnswer(because=because, needed=needed)


class EitherAnswer(Answer):
    """The chance that torque or angle is off."""

    if_independent: float = Field(description="If one says nothing about the other; assumed.")
    at_least: float = Field(description="Fréchet's bounds: whatever joins the two.")
    at_most: float = Field(description="The verdict is held against this one.")


class StepAnswer(Answer):
    """A step "torque, then angle"."""

    degrees: float
    seating: SeatingAnswer
    angle: AngleOfStep
    either: EitherAnswer | None = Field(description="null where the angle cannot be judged.")
    in_words: str

    @classmethod
    def of(cls, fit: JudgedFit, degrees: float, limits: records.Policy) -> "StepAnswer | None":
        angle = fit.angle
        if angle is None:
            return None
        either = None
        if isinstance(angle, JudgedAngle):
            either = EitherAnswer(
                if_independent=angle.step.either_if_independent,
                at_least=angle.step.either_at_least,
                at_most=angle.step.either_at_most,
            )
        return cls(
            degrees=degrees,
            seating=SeatingAnswer.of(fit, limits),
            angle=_angle(angle),
            either=either,
            in_words=angle_in_words(angle, degrees),
        )


class FitAnswered(Answer):
    """One wrench for the fastener."""

    status: Literal["answered"] = "answered"
    wrench: str
    fitness: Fitness
    in_words: str
    reasons: tuple[GroundAnswer, ...] = Field(
        description="The gravest first, and of those the torque's."
    )
    score: float = Field(description="Of the torque, as in readRisk, for this criticality.")
    x_pct_of_full_scale: float
    pull_risk: float = Field(description="Chance that the pull is outside the limit that day.")
    low_risk: float = Field(description="Its part on the side that delivers too little.")
    high_risk: float = Field(description="Its part on the side that delivers too much.")
    pass_probability: float = Field(description="Of a whole torque check on that day.")
    deviation_pct: float = Field(description="Expected deviation of the pull, % of reading.")
    deviation_sd_pct: float
    mpd_pct: float
    margin: MarginAnswer
    step: StepAnswer | None = Field(description="null when no angle step follows.")

    @classmethod
    def of(
        cls, fit: JudgedFit, fastener: Fastener, limits: records.Policy, later_on: date | None
    ) -> Self:
        risk = fit.pull.risk
        return cls(
            wrench=fit.pull.wrench,
            fitness=fit.fitness,
            in_words=fit_in_words(fit, fastener, limits, later_on),
            reasons=tuple(GroundAnswer.model_validate(reason) for reason in fit.reasons),
            score=risk.score,
            x_pct_of_full_scale=100 * risk.x,
            pull_risk=risk.pull_risk,
            low_risk=risk.low_risk,
            high_risk=risk.high_risk,
            pass_probability=risk.pass_probability,
            deviation_pct=risk.deviation_pct,
            deviation_sd_pct=risk.deviation_sd_pct,
            mpd_pct=risk.mpd_pct,
            margin=MarginAnswer.of(fit, fastener),
            step=StepAnswer.of(fit, fastener.angle_deg, limits) if fastener.angle_deg else None,
        )


class FitNotEnoughAnswer(Answer):
    """No reading speaks for the wrench in this direction, so it is not fit."""

    status: Literal["not_enough_evidence"] = "not_enough_evidence"
    wrench: str
    fitness: Fitness = Fitness.NOT_FIT
    because: str
    needed: str


class LeftOutAnswer(Answer):
    """A wrench in service that cannot be judged for the fastener."""

    wrench: str
    status: NotJudged
    because: str
    needed: str

    @classmethod
    def of(cls, left_out: fastener_fit.WrenchLeftOut) -> Self:
        return cls(
            wrench=left_out.wrench,
            status=left_out.status,
            because=left_out.because,
            needed=left_out.needed,
        )


class FastenerFitAnswer(Answer):
    """The wrench asked about with those that are better, or the whole shop in order."""

    as_of: UtcInstant | None = Field(description="The instant asked about; null: none was.")
    day: date = Field(description="The shop's date that forecasts begin on.")
    on: date = Field(description="The date of the pull.")
    method: MethodAnswer = Field(description="How torque is foreseen.")
    angle_method: MethodAnswer | None = Field(
        description="How the angle is foreseen; null when no angle step follows."
    )
    policy_version: int
    fastener: FastenerAnswer
    in_words: str
    wrench: Annotated[FitAnswered | FitNotEnoughAnswer, by_status()] | None = Field(
        description="The wrench asked about; null when none was named."
    )
    choices: tuple[FitAnswered, ...] = Field(
        description="The best first. Beside a wrench that was named, only those in service that are"
        " better and not unfit; else all that can be judged."
    )
    judged: int = Field(description="How many of the wrenches in service can be judged.")
    left_out: int = Field(description="How many cannot, such as those out of range.")
    not_judged: tuple[LeftOutAnswer, ...] = Field(
        description="The first of them by serial; empty when a wrench was named."
    )
    cautions: tuple[str, ...] = cautions.ALWAYS
