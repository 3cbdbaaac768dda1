"""Checks: what the bench sends, what is kept, and voiding."""

from datetime import date
from typing import Annotated, Any, Final, Self

from pydantic import Field

from analysis.vocabulary import CheckKind, Direction, Edition
from service import records
from service.intake import TEMPERATURE_C, CheckDraft
from service.points_intake import MOST_POINTS, MOST_READINGS, PointDraft
from service.schemas.base import Answer, Input, Instant, Line, Reason, UtcInstant
from service.schemas.tolerance import MpdAnswer, MpdInput
from service.schemas.torque import TorqueAnswer, TorqueInput, TorqueUnit, TorqueValue
from service.torque import Torque

# Where a rule of `service.intake` decides, the description states it and the model does not: the
# rule answers with its own remedy.
_MOST_COUNTED: Final = 2**53 - 1
CheckId = Annotated[str, Field(min_length=1, max_length=64, description="Id of a check.")]


def _stated(**schema: Any) -> Any:
    """Bounds for the description of a field; the rules for checks enforce them."""
    return Field(json_schema_extra=schema)


class TorquesInput(Input):
    """Several torques in one unit, in the order taken."""

    values: Annotated[tuple[TorqueValue, ...], _stated(minItems=1, maxItems=MOST_READINGS)]
    unit: TorqueUnit

    def torques(self) -> tuple[Torque, ...]:
        return tuple(Torque.of(value, self.unit) for value in self.values)


class PointInput(Input):
    """Readings at one target."""

    target: TorqueInput
    readings: TorquesInput = Field(description="What the tester measured.")
    indicated: TorquesInput | None = Field(
        default=None,
        description="What the wrench was set to or showed at each reading; the target when left"
        " out.",
    )

    def draft(self) -> PointDraft:
        return PointDraft(
            target=self.target.torque(),
            readings=self.readings.torques(),
            indicated=self.indicated.torques() if self.indicated else None,
        )


class CardInput(Input):
    """The certificate that came with a wrench, where the shop did not measure itself.

    What it states about the wrench is sent as it is printed there, even where that is wrong.
    """

    issuer: Line
    certificate: Line
    issued_on: date
    expanded_uncertainty_pct: float | None = Field(
        default=None, description="Expanded uncertainty U, % of reading."
    )
    coverage_factor: float | None = Field(default=None, description="Coverage factor k of U.")
    serial: Line | None = Field(default=None, description="Serial of the wrench on the card.")
    model: Line | None = Field(default=None, description="Model of the wrench on the card.")
    edition: Edition | None = Field(
        default=None, description="Edition of ISO 6789 that the card says it follows."
    )
    mpd: MpdInput | None = Field(
        default=None,
        description="Maximum permissible deviation on the card, in the direction of the check.",
    )

    def card(self) -> records.Card:
        return records.Card(
            issuer=self.issuer,
            certificate=self.certificate,
            issued_on=self.issued_on,
            expanded_uncertainty_pct=self.expanded_uncertainty_pct,
            coverage_factor=self.coverage_factor,
            serial=self.serial,
            model=self.model,
            edition=self.edition,
            mpd=self.mpd.mpd() if self.mpd else None,
        )


class CheckInput(Input):
    """A check of one wrench in one direction."""

    kind: CheckKind
    direction: Direction
    performed_at: Instant = Field(description="When the readings were taken, with the offset.")
    tester: Line | None = Field(
        default=None, description="Serial of the tester; leave it out when a card is sent."
    )
    operator: Line | None = None
    temperature_c: Annotated[
        float | None, _stated(minimum=TEMPERATURE_C[0], maximum=TEMPERATURE_C[1])
    ] = None
    cycle_count: Annotated[int | None, _stated(minimum=0, maximum=_MOST_COUNTED)] = Field(
        default=None, description="Count of cycles on the wrench; it never falls."
    )
    points: Annotated[tuple[PointInput, ...], _stated(minItems=1, maxItems=MOST_POINTS)]
    card: CardInput | None = None
    replaces: CheckId | None = Field(
        default=None, description="Id of the check that this one takes the place of."
    )
    replaces_because: Reason | None = Field(
        default=None,
        description="Why that check was wrong. It is voided with this reason in the same moment;"
        " leave it out when it is voided already.",
    )
    confirm_unusual: bool = Field(
        default=False,
        description="True stands by readings that look like a slip, such as another unit.",
    )

    def draft(self) -> CheckDraft:
        return CheckDraft(
            kind=self.kind,
            direction=self.direction,
            performed_at=self.performed_at,
            tester=self.tester,
            operator=self.operator,
            temperature_c=self.temperature_c,
            cycle_count=self.cycle_count,
            points=tuple(point.draft() for point in self.points),
            card=self.card.card() if self.card else None,
            replaces=self.replaces,
            replaces_because=self.replaces_because,
            confirm_unusual=self.confirm_unusual,
        )


class VoidInput(Input):
    """Why a check no longer counts."""

    reason: Reason


class ReadingAnswer(Answer):
    """One reading."""

    reference: TorqueAnswer = Field(description="What the tester measured.")
    indicated: TorqueAnswer = Field(description="What the wrench was set to or showed.")


class PointAnswer(Answer):
    """Readings at one target, in the order taken."""

    target: TorqueAnswer
    readings: tuple[ReadingAnswer, ...]

    @classmethod
    def of(cls, point: records.Point) -> Self:
        return cls(
            target=TorqueAnswer.of(point.target),
            readings=tuple(
                ReadingAnswer(
                    reference=TorqueAnswer.of(reading.reference),
                    indicated=TorqueAnswer.of(reading.indicated),
                )
                for reading in point.readings
            ),
        )


class CardAnswer(Answer):
    """The certificate that came with the wrench."""

    issuer: str
    certificate: str
    issued_on: date
    expanded_uncertainty_pct: float | None
    coverage_factor: float | None
    serial: str | None
    model: str | None
    edition: Edition | None
    mpd: MpdAnswer | None

    @classmethod
    def of(cls, card: records.Card) -> Self:
        return cls(
            issuer=card.issuer,
            certificate=card.certificate,
            issued_on=card.issued_on,
            expanded_uncertainty_pct=card.expanded_uncertainty_pct,
            coverage_factor=card.coverage_factor,
            serial=card.serial,
            model=card.model,
            edition=card.edition,
            mpd=MpdAnswer.of(card.mpd) if card.mpd else None,
        )


class VoidAnswer(Answer):
    """Since when a check no longer counts, and why."""

    at: UtcInstant
    reason: str


class CheckAnswer(Answer):
    """A check as it was recorded; it is never edited."""

    id: str
    wrench: str
    kind: CheckKind
    direction: Direction
    performed_at: UtcInstant
    tester: str | None
    operator: str | None
    temperature_c: float | None
    cycle_count: int | None
    points: tuple[PointAnswer, ...]
    card: CardAnswer | None
    replaces: str | None
    void: VoidAnswer | None
    recorded_at: UtcInstant

    @classmethod
    def of(cls, check: records.Check) -> Self:
        return cls(**check_fields(check))


class CheckPage(Answer):
    """Checks of one wrench, newest first."""

    items: tuple[CheckAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")


def check_fields(check: records.Check) -> dict[str, Any]:
    """The members of CheckAnswer, for it and for what extends it."""
    return {
        "id": check.id,
        "wrench": check.wrench,
        "kind": check.kind,
        "direction": check.direction,
        "performed_at": check.performed_at,
        "tester": check.tester,
        "operator": check.operator,
        "temperature_c": check.temperature_c,
        "cycle_count": check.cycle_count,
        "points": tuple(PointAnswer.of(point) for point in check.points),
        "card": CardAnswer.of(check.card) if check.card else None,
        "replaces": check.replaces,
        "void": VoidAnswer(at=check.void.at, reason=check.void.reason) if check.void else None,
        "recorded_at": check.recorded_at,
    }
