"""Booked days at the bench."""

import dataclasses
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Self
from uuid import uuid4

from pydantic import Field

from analysis.vocabulary import CheckKind
from service.booking_records import Booking, BookingStatus, Keeping
from service.schemas.base import Answer, Input, Line, Reason, Unchanged, UtcInstant
from service.schemas.wrenches import Serial
from service.wording import booking_in_words


class BookingInput(Input):
    """A wrench to be checked on a day."""

    wrench: Serial
    day: date = Field(description="A day in the shop's time zone, from today on.")
    kind: CheckKind = Field(
        default=CheckKind.AS_FOUND,
        description="Of the check to be made; a wrench out of service comes only for as_left.",
    )
    note: Line | None = None

    def record(self, now: datetime) -> Booking:
        return Booking(
            id=str(uuid4()),
            wrench=self.wrench,
            kind=self.kind,
            day=self.day,
            note=self.note,
            recorded_at=now,
        )


class BookingChangeInput(Input):
    """What to change about a booking: what is left out stays, null clears the note."""

    day: date = Unchanged()
    note: Line | None = Unchanged()
    status: BookingStatus = Unchanged()
    reason: Reason | None = Field(default=None, description="Why it is moved or cancelled.")

    def applied_to(self, booking: Booking, now: datetime) -> Booking:
        """The booking as it should become; its version is the store's business."""
        changes: dict[str, Any] = {
            name: getattr(self, name) for name in self.model_fields_set - {"reason"}
        }
        return dataclasses.replace(booking, **changes, reason=self.reason, recorded_at=now)


class RevisionAnswer(Answer):
    """A booking as it stood from an instant on."""

    version: int
    at: UtcInstant
    day: date
    status: BookingStatus
    note: str | None
    reason: str | None


class BookingAnswer(Answer):
    """A booking; `version` rises with every change."""

    id: str
    in_words: str
    wrench: str
    day: date
    kind: CheckKind
    status: BookingStatus
    note: str | None
    version: int
    history: tuple[RevisionAnswer, ...] = Field(description="The first version first.")

    @classmethod
    def of(cls, history: Sequence[Booking], **more: Any) -> Self:
        """history: every version, the one in force last."""
        booking = history[-1]
        return cls(
            id=booking.id,
            in_words=booking_in_words(booking),
            wrench=booking.wrench,
            day=booking.day,
            kind=booking.kind,
            status=booking.status,
            note=booking.note,
            version=booking.version,
            history=tuple(
                RevisionAnswer(
                    version=each.version,
                    at=each.recorded_at,
                    day=each.day,
                    status=each.status,
                    note=each.note,
                    reason=each.reason,
                )
                for each in history
            ),
            **more,
        )


class BookedAnswer(BookingAnswer):
    """A booking just made or changed, with what to know about its day."""

    cautions: tuple[str, ...]


class ListedBookingAnswer(Answer):
    """A booking as it stands."""

    id: str
    wrench: str
    day: date
    kind: CheckKind
    keeping: Keeping = Field(description="A check on its day or after it keeps a booking.")
    note: str | None
    version: int

    @classmethod
    def of(cls, booking: Booking, keeping: Keeping) -> Self:
        return cls(
            id=booking.id,
            wrench=booking.wrench,
            day=booking.day,
            kind=booking.kind,
            keeping=keeping,
            note=booking.note,
            version=booking.version,
        )


class BookingPage(Answer):
    """Bookings, the one booked last first."""

    items: tuple[ListedBookingAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")
