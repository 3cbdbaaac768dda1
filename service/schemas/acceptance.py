"""Whether a wrench may be taken into use, and on which evidence."""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.vocabulary import Direction, Edition
from service.acceptance import Acceptance, AcceptanceVerdict
from service.acceptance_criteria import Criterion, Evidence, Outcome
from service.frames import date_of_day
from service.records import Policy
from service.schemas.analyses import AnalysisAnswer, FromAnalysis, NoPerformanceAnswer, by_status
from service.schemas.base import Answer
from service.wording import acceptance_in_words


class JudgedAnswer(FromAnalysis):
    """One criterion; a gap leaves the evidence standing, what forbids takes it away."""

    criterion: Criterion
    outcome: Outcome
    words: str


class OwnChecksAnswer(Answer):
    """The shop's own checks since the last one as left, taken together."""

    checks: tuple[str, ...] = Field(description="In the order in which they were performed.")
    last_on: date
    judged: tuple[JudgedAnswer, ...]

    @classmethod
    def of(cls, own: Evidence, policy: Policy) -> Self:
        return cls(
            checks=own.checks,
            last_on=date_of_day(own.last_day, policy.time_zone),
            judged=tuple(JudgedAnswer.model_validate(each) for each in own.judged),
        )


class JudgedCardAnswer(Answer):
    """The last card since the last check as left."""

    check: str = Field(description="The check that the card was entered as.")
    issuer: str
    certificate: str
    issued_on: date
    edition: Edition | None
    judged: tuple[JudgedAnswer, ...]

    @classmethod
    def of(cls, evidence: Evidence) -> Self | None:
        card = evidence.card
        if card is None:
            return None
        return cls(
            check=evidence.checks[0],
            issuer=card.issuer,
            certificate=card.certificate,
            issued_on=card.issued_on,
            edition=card.edition,
            judged=tuple(JudgedAnswer.model_validate(each) for each in evidence.judged),
        )


class AcceptanceAnswered(Answer):
    """The judgment on one direction."""

    status: Literal["answered"] = "answered"
    direction: Direction
    verdict: AcceptanceVerdict
    in_words: str
    because: str
    needed: str | None = Field(description="What would do; null: nothing is wanting.")
    own_checks: OwnChecksAnswer | None = Field(description="null: there is none that counts.")
    card: JudgedCardAnswer | None = Field(description="null: there is none that counts.")

    @classmethod
    def of(cls, wrench: str, found: Acceptance, policy: Policy) -> Self:
        return cls(
            direction=found.direction,
            verdict=found.verdict,
            in_words=acceptance_in_words(wrench, found),
            because=found.because,
            needed=found.needed,
            own_checks=OwnChecksAnswer.of(found.own_checks, policy) if found.own_checks else None,
            card=JudgedCardAnswer.of(found.card) if found.card else None,
        )


class AcceptanceAnswer(AnalysisAnswer):
    """Whether a wrench may be taken into use, in each direction with a stated tolerance."""

    directions: tuple[Annotated[AcceptanceAnswered | NoPerformanceAnswer, by_status()], ...]
