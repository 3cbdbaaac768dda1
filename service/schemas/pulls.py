"""Recorded pulls: what the workshop sends, and what is kept."""

from typing import Annotated, Any, Final, Self

from pydantic import Field

from analysis.vocabulary import Direction
from service import cautions, records
from service.pull_intake import (
    MOST_ALIKE,
    WIDEST_ANGLE_DEG,
    PullDraft,
    PullFlag,
    flags_of,
)
from service.schemas.base import Answer, Input, Instant, Line, UtcInstant
from service.schemas.checks import VoidAnswer
from service.schemas.torque import TorqueAnswer, TorqueInput

MOST_PULLS: Final = 500  # in one list; a file takes more


def _stated(**schema: Any) -> Any:
    """Bounds for the description of a field; the rules for pulls enforce them."""
    return Field(json_schema_extra=schema)


class PullInput(Input):
    """One pull, or several alike of one job."""

    job: Line = Field(description="The shop's own reference, such as a work order's number.")
    torque: TorqueInput = Field(description="What the wrench was set to or showed.")
    direction: Direction
    performed_at: Instant = Field(description="When the work was done, with the offset.")
    angle_deg: Annotated[float | None, _stated(exclusiveMinimum=0, maximum=WIDEST_ANGLE_DEG)] = (
        Field(default=None, description="Turned after the torque, where the procedure asks it.")
    )
    operator: Line | None = None
    count: Annotated[int, _stated(minimum=1, maximum=MOST_ALIKE)] = Field(
        default=1, description="Pulls alike, such as five wheel nuts."
    )
    client_id: Line | None = Field(
        default=None,
        description="The caller's own id for this pull. With it, the same id is the same pull;"
        " without it, the same job, time, direction and torque are.",
    )

    def draft(self) -> PullDraft:
        return PullDraft(
            job=self.job,
            torque=self.torque.torque(),
            direction=self.direction,
            angle_deg=self.angle_deg,
            performed_at=self.performed_at,
            operator=self.operator,
            count=self.count,
            client_id=self.client_id,
        )


class PullsInput(Input):
    """Pulls made with one wrench."""

    pulls: Annotated[tuple[PullInput, ...], Field(min_length=1, max_length=MOST_PULLS)]


class PullAnswer(Answer):
    """A pull as it was recorded; it is never edited."""

    id: str
    wrench: str
    job: str
    torque: TorqueAnswer
    direction: Direction
    performed_at: UtcInstant
    angle_deg: float | None
    operator: str | None
    count: int
    client_id: str | None
    flags: tuple[PullFlag, ...] = Field(
        description="What is odd about it. The work was done, so it is kept."
    )
    void: VoidAnswer | None
    recorded_at: UtcInstant

    @classmethod
    def of(cls, pull: records.Pull, wrench: records.Wrench) -> Self:
        return cls(
            id=pull.id,
            wrench=pull.wrench,
            job=pull.job,
            torque=TorqueAnswer.of(pull.torque),
            direction=pull.direction,
            performed_at=pull.performed_at,
            angle_deg=pull.angle_deg,
            operator=pull.operator,
            count=pull.count,
            client_id=pull.client_id,
            flags=flags_of(pull, wrench),
            void=VoidAnswer(at=pull.void.at, reason=pull.void.reason) if pull.void else None,
            recorded_at=pull.recorded_at,
        )


class PullsRecordedAnswer(Answer):
    """What became of a list of pulls."""

    in_words: str
    stored: tuple[PullAnswer, ...] = Field(description="Those now stored, as they were sent.")
    already_there: tuple[str, ...] = Field(
        description="Ids of pulls that were stored before and say the same; they count once."
    )
    cautions: tuple[str, ...]

    @classmethod
    def of(
        cls,
        stored: tuple[records.Pull, ...],
        already_there: tuple[str, ...],
        wrench: records.Wrench,
    ) -> Self:
        answers = tuple(PullAnswer.of(pull, wrench) for pull in stored)
        flags = {flag for answer in answers for flag in answer.flags}
        return cls(
            in_words=_in_words(stored, len(already_there), wrench.serial),
            stored=answers,
            already_there=already_there,
            cautions=(
                *(cautions.OF_PULLS[flag] for flag in PullFlag if flag in flags),
                *cautions.ALWAYS,
            ),
        )


class PullPage(Answer):
    """Pulls of one wrench, newest first."""

    items: tuple[PullAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")


def _in_words(stored: tuple[records.Pull, ...], there: int, serial: str) -> str:
    pulls, jobs = sum(pull.count for pull in stored), len({pull.job for pull in stored})
    text = (
        f"{pulls:,} {'pull' if pulls == 1 else 'pulls'} of {jobs:,} "
        f"{'job' if jobs == 1 else 'jobs'} recorded for {serial}"
    )
    if there:
        text += f"; {there:,} {'record was' if there == 1 else 'records were'} there already"
    return text + "."
