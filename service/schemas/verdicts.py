"""The verdict on a check, as it goes over the wire."""

from typing import Any, Literal, Self
from urllib.parse import quote

from pydantic import Field

from analysis.conformity import Decision
from analysis.remeasure import ReasonKind, RemeasureAdvice
from analysis.vocabulary import Band, CheckKind, DecisionRule
from service import cautions, records
from service.schemas.base import Answer
from service.schemas.checks import CheckAnswer, check_fields
from service.schemas.torque import TorqueAnswer
from service.verdict import JudgedPoint, JudgedReading, Verdict


class ReadingVerdictAnswer(Answer):
    """One reading against its limit."""

    deviation_pct: float = Field(
        description="% of reading (ISO 6789 sign): positive, the wrench delivers less than it says."
    )
    of_setting_pct: float = Field(
        description="The same as % of the setting, whose sign is the other way round."
    )
    mpd_pct: float = Field(description="Limit at this reading, ± % of reading.")
    within: bool = Field(description="Inside the limit, the tester taken as exact.")
    decision: Decision = Field(description="Under the shop's decision rule.")
    conformance_probability: float | None = Field(
        description="That the true deviation is inside the limit, from this reading and the"
        " tester's uncertainty; null when that is not known."
    )
    because: str

    @classmethod
    def of(cls, reading: JudgedReading) -> Self:
        return cls(
            deviation_pct=reading.deviation_pct,
            of_setting_pct=reading.of_setting_pct,
            mpd_pct=reading.mpd_pct,
            within=reading.within,
            decision=reading.decision.decision,
            conformance_probability=reading.decision.conformance_probability,
            because=reading.decision.because,
        )


class PointVerdictAnswer(Answer):
    """One target."""

    target: TorqueAnswer
    x_pct_of_full_scale: float
    band: Band
    below_caution: bool = Field(
        description="Below the share of full scale that the shop marks apart."
    )
    mpd_pct: float = Field(description="Limit at the target, ± % of reading.")
    mean_deviation_pct: float
    delivers: Literal["low", "high", "true"]
    in_words: str
    readings: tuple[ReadingVerdictAnswer, ...]

    @classmethod
    def of(cls, point: JudgedPoint, policy: records.Policy) -> Self:
        return cls(
            target=TorqueAnswer.of(point.point.target),
            x_pct_of_full_scale=100 * point.x,
            band=point.band,
            below_caution=point.x < policy.caution_below,
            mpd_pct=point.mpd_pct,
            mean_deviation_pct=point.mean_deviation_pct,
            delivers=point.delivers,
            in_words=delivery_in_words(point.delivers, point.mean_deviation_pct),
            readings=tuple(ReadingVerdictAnswer.of(reading) for reading in point.readings),
        )


class ReasonAnswer(Answer):
    """One reason to measure again."""

    kind: ReasonKind
    point: int = Field(description="Index into points.")
    text: str
    p_value: float | None


class RemeasureAnswer(Answer):
    """Whether the bench should measure again, and why."""

    advised: bool
    reasons: tuple[ReasonAnswer, ...]
    false_alarm_rate: float = Field(
        description="Upper bound of the chance of any alarm when nothing is wrong."
    )

    @classmethod
    def of(cls, advice: RemeasureAdvice) -> Self:
        return cls(
            advised=advice.advised,
            reasons=tuple(
                ReasonAnswer(
                    kind=reason.kind, point=reason.point, text=reason.text, p_value=reason.p_value
                )
                for reason in advice.reasons
            ),
            false_alarm_rate=advice.false_alarm_rate,
        )


class SuspectWorkAnswer(Answer):
    """Where to read which work the wrench did before it was found outside."""

    in_words: str
    path: str = Field(description="Of readReverseTraceability for this check.")

    @classmethod
    def of(cls, check: records.Check, verdict: Verdict) -> Self | None:
        """None where the check found every reading inside, or speaks of no use before it."""
        inside = all(reading.within for point in verdict.points for reading in point.readings)
        if inside or check.kind is CheckKind.AS_LEFT:
            return None
        serial, check_id = quote(check.wrench, safe=""), quote(check.id, safe="")
        return cls(
            in_words=f"Work done with {check.wrench} since it was last found inside is suspect: "
            "the list behind this path says which, the most suspect first.",
            path=f"/v1/wrenches/{serial}/reverse-traceability?check={check_id}",
        )


class VerdictAnswer(Answer):
    """What the check says about the direction it was made in."""

    decision: Decision = Field(
        description="accept: every reading; reject: at least one; inconclusive: the tester's"
        " uncertainty reaches over a limit."
    )
    passed: bool = Field(description="True for accept alone.")
    decision_rule: DecisionRule
    points: tuple[PointVerdictAnswer, ...]
    remeasure: RemeasureAnswer
    suspect_work: SuspectWorkAnswer | None = Field(
        description="Where to read which work is suspect; null unless the check found the wrench"
        " outside."
    )
    cautions: tuple[str, ...]

    @classmethod
    def of(cls, check: records.Check, verdict: Verdict, policy: records.Policy) -> Self:
        return cls(
            decision=verdict.decision,
            passed=verdict.decision is Decision.ACCEPT,
            decision_rule=policy.decision_rule,
            points=tuple(PointVerdictAnswer.of(point, policy) for point in verdict.points),
            remeasure=RemeasureAnswer.of(verdict.remeasure),
            suspect_work=SuspectWorkAnswer.of(check, verdict),
            cautions=_cautions(verdict.decision),
        )


class JudgedCheckAnswer(CheckAnswer):
    """A check with its verdict, worked out from wrench, tester and policy as they stand now."""

    verdict: VerdictAnswer | None = Field(
        description="null when the wrench no longer states a tolerance in this direction."
    )

    @classmethod
    def judged(cls, check: records.Check, verdict: Verdict | None, policy: records.Policy) -> Self:
        fields: dict[str, Any] = check_fields(check)
        return cls(**fields, verdict=VerdictAnswer.of(check, verdict, policy) if verdict else None)


def delivery_in_words(delivers: Literal["low", "high", "true"], deviation_pct: float) -> str:
    """What a mean deviation means at the fastener."""
    if delivers == "true":
        return "delivers what it says"
    size, less = abs(deviation_pct), "less" if delivers == "low" else "more"
    return f"delivers {less} than it says: deviation {size:.2f} % of reading"


def _cautions(decision: Decision) -> tuple[str, ...]:
    special = {
        Decision.ACCEPT: (),
        Decision.REJECT: (cautions.FOUND_OUT,),
        Decision.INCONCLUSIVE: (cautions.IN_DOUBT,),
    }
    return (*special[decision], *cautions.ALWAYS)
