"""A wrench's booked day at the bench, and what became of it."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from analysis.vocabulary import CheckKind


class BookingStatus(StrEnum):
    BOOKED = "booked"
    CANCELLED = "cancelled"


class Keeping(StrEnum):
    """Where a booking stands: a check on its day or after it keeps it."""

    AHEAD = "ahead"
    KEPT = "kept"
    MISSED = "missed"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """One version of a booking; every change adds one, and none is ever edited.

    kind    of the check that is to be made; a wrench out of service comes for its check as left
    reason  why it was moved or cancelled, where one was given
    """

    id: str
    wrench: str  # serial
    kind: CheckKind
    day: date
    status: BookingStatus = BookingStatus.BOOKED
    note: str | None = None
    reason: str | None = None
    recorded_at: datetime
    version: int = 1

    def keeping(self, last_check_on: date | None, today: date) -> Keeping:
        """last_check_on: the shop's date of the wrench's last check at a tester."""
        if self.status is BookingStatus.CANCELLED:
            return Keeping.CANCELLED
        if last_check_on is not None and last_check_on >= self.day:
            return Keeping.KEPT
        return Keeping.MISSED if self.day < today else Keeping.AHEAD
