"""The trail of a wrench."""

from typing import Self

from pydantic import Field

from analysis.vocabulary import Direction
from service import records, trail
from service.records import EventKind
from service.schemas.base import Answer, UtcInstant


class ChangeAnswer(Answer):
    """One field of a wrench, as text; null: empty."""

    field: str
    before: str | None
    after: str | None


class EventAnswer(Answer):
    """One thing that happened to a wrench; it is never edited."""

    number: int = Field(description="Counts up over the shop.")
    kind: EventKind
    in_words: str
    recorded_at: UtcInstant = Field(description="By the clock of the service.")
    person: str | None = Field(
        description="Who says to have done it: Acting-Person, or the operator of the check. Not"
        " verified; null where nobody said."
    )
    why: str | None
    check: str | None = Field(description="The check that it is about.")
    direction: Direction | None
    changes: tuple[ChangeAnswer, ...] = Field(description="What a change of the record changed.")
    token_id: str | None = Field(
        description="The access token by which it came; null for a command on the machine."
    )
    token_name: str | None
    address: str | None = Field(description="Of the client, as far as the service can tell.")

    @classmethod
    def of(cls, event: records.Event) -> Self:
        return cls(
            number=event.number,
            kind=event.kind,
            in_words=trail.in_words(event),
            recorded_at=event.recorded_at,
            person=event.person,
            why=event.why,
            check=event.check,
            direction=event.direction,
            changes=tuple(
                ChangeAnswer(field=change.field, before=change.before, after=change.after)
                for change in event.changes
            ),
            token_id=event.token_id,
            token_name=event.token_name,
            address=event.address,
        )


class EventPage(Answer):
    """What happened to one wrench, newest first."""

    wrench: str
    items: tuple[EventAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")
