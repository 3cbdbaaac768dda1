"""Angle checks: what the bench sends, what is kept, and the verdict on them."""

from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import Field

from analysis.conformity import Decision
from analysis.vocabulary import CheckKind, DecisionRule, Direction
from service import angle_records, cautions, records
from service.angle_intake import AngleCheckDraft, AnglePointDraft
from service.angle_verdict import AngleVerdict, JudgedAnglePoint
from service.points_intake import MOST_POINTS, MOST_READINGS
from service.schemas.base import AngleDeg, Answer, Input, Instant, Line, Reason, UtcInstant
from service.schemas.checks import CheckId, VoidAnswer
from service.wording import turn_in_words


def _stated(**schema: Any) -> Any:
    """Bounds for the description of a field; the rules for angle checks enforce them."""
    return Field(json_schema_extra=schema)


Angles = Annotated[tuple[AngleDeg, ...], _stated(minItems=1, maxItems=MOST_READINGS)]


class AnglePointInput(Input):
    """Readings at one target angle, in degrees, in the order taken."""

    target_deg: AngleDeg
    reference_deg: Angles = Field(description="What the reference measured.")
    indicated_deg: Angles | None = Field(
        default=None,
        description="What the wrench showed at each reading; the target when left out.",
    )

    def draft(self) -> AnglePointDraft:
        return AnglePointDraft(
            target_deg=self.target_deg,
            reference_deg=self.reference_deg,
            indicated_deg=self.indicated_deg,
        )


class AngleCardInput(Input):
    """The certificate that the readings come from, where the shop did not measure itself."""

    issuer: Line
    certificate: Line
    issued_on: date

    def card(self) -> records.Card:
        return records.Card(
            issuer=self.issuer, certificate=self.certificate, issued_on=self.issued_on
        )


class AngleCheckInput(Input):
    """A check of the angles that one wrench shows, in one direction."""

    kind: CheckKind
    direction: Direction
    performed_at: Instant = Field(description="When the readings were taken, with the offset.")
    tester: Line | None = Field(
        default=None,
        description="Serial of the reference device; leave it out when a card is sent.",
    )
    operator: Line | None = None
    expanded_uncertainty_deg: Annotated[float, Field(ge=0, le=90)] | None = Field(
        default=None, description="Expanded uncertainty U of the reference angle, degrees."
    )
    coverage_factor: Annotated[float, Field(ge=1, le=4)] | None = Field(
        default=None, description="Coverage factor k of U; 2 when left out."
    )
    points: Annotated[tuple[AnglePointInput, ...], _stated(minItems=1, maxItems=MOST_POINTS)]
    card: AngleCardInput | None = None
    replaces: CheckId | None = Field(
        default=None, description="Id of the angle check that this one takes the place of."
    )
    replaces_because: Reason | None = Field(
        default=None,
        description="Why that angle check was wrong. It is voided with this reason in the same"
        " moment; leave it out when it is voided already.",
    )
    confirm_unusual: bool = Field(
        default=False, description="True stands by readings that look like a slip."
    )

    def draft(self) -> AngleCheckDraft:
        return AngleCheckDraft(
            kind=self.kind,
            direction=self.direction,
            performed_at=self.performed_at,
            tester=self.tester,
            operator=self.operator,
            expanded_uncertainty_deg=self.expanded_uncertainty_deg,
            coverage_factor=self.coverage_factor,
            points=tuple(point.draft() for point in self.points),
            card=self.card.card() if self.card else None,
            replaces=self.replaces,
            replaces_because=self.replaces_because,
            confirm_unusual=self.confirm_unusual,
        )


class AnglePointAnswer(Answer):
    """Readings at one target, in the order taken."""

    target_deg: float
    reference_deg: tuple[float, ...]
    indicated_deg: tuple[float, ...]

    @classmethod
    def of(cls, point: angle_records.AnglePoint) -> Self:
        return cls(
            target_deg=point.target_deg,
            reference_deg=tuple(reading.reference_deg for reading in point.readings),
            indicated_deg=tuple(reading.indicated_deg for reading in point.readings),
        )


class AngleCardAnswer(Answer):
    """The certificate that the readings come from."""

    issuer: str
    certificate: str
    issued_on: date


class AngleCheckAnswer(Answer):
    """An angle check as it was recorded; it is never edited."""

    id: str
    wrench: str
    kind: CheckKind
    direction: Direction
    performed_at: UtcInstant
    tester: str | None
    operator: str | None
    expanded_uncertainty_deg: float | None
    coverage_factor: float | None
    points: tuple[AnglePointAnswer, ...]
    card: AngleCardAnswer | None
    replaces: str | None
    void: VoidAnswer | None
    recorded_at: UtcInstant

    @classmethod
    def of(cls, check: angle_records.AngleCheck) -> Self:
        return cls(**_fields(check))


class AngleCheckPage(Answer):
    """Angle checks of one wrench, newest first."""

    items: tuple[AngleCheckAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")


class AngleReadingVerdictAnswer(Answer):
    """One reading against its limit."""

    deviation_deg: float = Field(
        description="Indicated - reference: positive, the wrench has turned less than it says."
    )
    within: bool = Field(description="Inside the limit, the reference taken as exact.")
    decision: Decision = Field(description="Under the shop's decision rule.")
    conformance_probability: float | None = Field(
        description="That the true deviation is inside the limit; null without an uncertainty."
    )
    because: str


class AnglePointVerdictAnswer(Answer):
    """One target."""

    target_deg: float
    mpd_deg: float = Field(description="Limit at the target, ± degrees.")
    mean_deviation_deg: float
    turns: Literal["less", "more", "true"] = Field(description="Against what the wrench shows.")
    in_words: str
    readings: tuple[AngleReadingVerdictAnswer, ...]

    @classmethod
    def of(cls, judged: JudgedAnglePoint) -> Self:
        mean = judged.mean_deviation_deg
        return cls(
            target_deg=judged.point.target_deg,
            mpd_deg=judged.mpd_deg,
            mean_deviation_deg=mean,
            turns="true" if abs(mean) < 1e-9 else "less" if mean > 0 else "more",
            in_words=turn_in_words(judged.point.target_deg, mean, judged.mpd_deg),
            readings=tuple(
                AngleReadingVerdictAnswer(
                    deviation_deg=reading.deviation_deg,
                    within=reading.decision.within,
                    decision=reading.decision.decision,
                    conformance_probability=reading.decision.conformance_probability,
                    because=reading.decision.because,
                )
                for reading in judged.readings
            ),
        )


class AngleVerdictAnswer(Answer):
    """What the check says about the direction it was made in."""

    decision: Decision = Field(
        description="accept: every reading; reject: at least one; inconclusive: the uncertainty of"
        " the reference reaches over a limit."
    )
    passed: bool = Field(description="True for accept alone.")
    decision_rule: DecisionRule
    points: tuple[AnglePointVerdictAnswer, ...]
    cautions: tuple[str, ...]

    @classmethod
    def of(cls, verdict: AngleVerdict, policy: records.Policy) -> Self:
        special = {
            Decision.REJECT: (cautions.FOUND_OUT,),
            Decision.INCONCLUSIVE: (cautions.IN_DOUBT,),
        }
        return cls(
            decision=verdict.decision,
            passed=verdict.decision is Decision.ACCEPT,
            decision_rule=policy.decision_rule,
            points=tuple(AnglePointVerdictAnswer.of(point) for point in verdict.points),
            cautions=(*special.get(verdict.decision, ()), *cautions.ALWAYS),
        )


class JudgedAngleCheckAnswer(AngleCheckAnswer):
    """An angle check with its verdict, worked out from wrench and policy as they stand now."""

    verdict: AngleVerdictAnswer | None = Field(
        description="null when the wrench no longer states an angle performance."
    )

    @classmethod
    def judged(
        cls,
        check: angle_records.AngleCheck,
        verdict: AngleVerdict | None,
        policy: records.Policy,
    ) -> Self:
        fields = _fields(check)
        return cls(**fields, verdict=AngleVerdictAnswer.of(verdict, policy) if verdict else None)


def _fields(check: angle_records.AngleCheck) -> dict[str, Any]:
    card, void = check.card, check.void
    return {
        "id": check.id,
        "wrench": check.wrench,
        "kind": check.kind,
        "direction": check.direction,
        "performed_at": check.performed_at,
        "tester": check.tester,
        "operator": check.operator,
        "expanded_uncertainty_deg": check.expanded_uncertainty_deg,
        "coverage_factor": check.coverage_factor,
        "points": tuple(AnglePointAnswer.of(point) for point in check.points),
        "card": (
            AngleCardAnswer(
                issuer=card.issuer, certificate=card.certificate, issued_on=card.issued_on
            )
            if card
            else None
        ),
        "replaces": check.replaces,
        "void": VoidAnswer(at=void.at, reason=void.reason) if void else None,
        "recorded_at": check.recorded_at,
    }
