"""The rules that a booking must keep, and what it means for the bench.

A booking holds a place of its day while its wrench is in service, or comes for its check as left. A
wrench out of service gets no place by itself: whoever adjusted it books one. A day later than the
policy allows is booked all the same, with a caution: the wrench stays overdue in every verdict, and
a refusal would only keep the day from being known.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from analysis.vocabulary import CheckKind
from service.bench_days import is_open, last_planned_day, next_free_day
from service.booking_records import Booking, BookingStatus, Keeping
from service.findings import Finding, Refused
from service.frames import date_of_day, day_of
from service.records import Policy, ServiceStatus, Wrench
from service.store import DuplicateRecord

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.vocabulary import Direction


@dataclass(frozen=True, slots=True)
class BenchBook:
    """The bookings of a shop as they stand, with what says where each stands.

    bookings     the versions in force
    last_checks  the instant of each wrench's last check at a tester
    """

    policy: Policy
    today: date
    bookings: tuple[Booking, ...]
    wrenches: Mapping[str, Wrench]
    last_checks: Mapping[str, datetime]

    def keeping(self, booking: Booking) -> Keeping:
        last = self.last_checks.get(booking.wrench)
        zone = ZoneInfo(self.policy.time_zone)
        return booking.keeping(last and last.astimezone(zone).date(), self.today)

    def ahead(self) -> tuple[Booking, ...]:
        """Those that are to be kept and hold a place."""
        return tuple(
            booking
            for booking in self.bookings
            if self.keeping(booking) is Keeping.AHEAD and self._holds_place(booking)
        )

    def missed(self) -> tuple[Booking, ...]:
        """Those whose day went by without a check, of wrenches that are not booked anew."""
        anew = {booking.wrench for booking in self.ahead()}
        return tuple(
            booking
            for booking in self.bookings
            if self.keeping(booking) is Keeping.MISSED and booking.wrench not in anew
        )

    def taken(self, besides: str | None = None) -> Counter[date]:
        """Places taken on each day from today on, by others than the booking `besides`."""
        return Counter(
            booking.day
            for booking in self.bookings
            if booking.id != besides
            and booking.day >= self.today
            and self.keeping(booking) in (Keeping.AHEAD, Keeping.KEPT)
            and self._holds_place(booking)
        )

    def _holds_place(self, booking: Booking) -> bool:
        wrench = self.wrenches[booking.wrench]
        return wrench.status is ServiceStatus.IN_SERVICE or booking.kind is CheckKind.AS_LEFT

    def admit(self, booking: Booking) -> Booking:
        """The booking, new or moved, when its day can be had.

        Raises Refused with every finding, DuplicateRecord when its wrench has another one ahead.
        """
        for other in self.bookings:
            same = other.wrench == booking.wrench and other.id != booking.id
            if same and self.keeping(other) is Keeping.AHEAD:
                raise DuplicateRecord("booking of wrench", booking.wrench, other.id)
        findings = [*self._wrench_findings(booking), *self._day_findings(booking)]
        if findings:
            raise Refused(findings)
        return booking

    def admit_change(self, current: Booking, changed: Booking) -> Booking:
        """The change of a booking; raises as `admit` does."""
        standing = self.keeping(current)
        if standing in (Keeping.CANCELLED, Keeping.KEPT):
            told = "is cancelled" if standing is Keeping.CANCELLED else "was kept by a check"
            raise Refused(
                [
                    Finding(
                        field="",
                        detail=f"the booking {told}",
                        remedy="leave it as it is, and book the wrench anew",
                    )
                ]
            )
        if changed.status is BookingStatus.CANCELLED or changed.day == current.day:
            return changed
        return self.admit(changed)

    def _wrench_findings(self, booking: Booking) -> list[Finding]:
        wrench = self.wrenches[booking.wrench]
        if wrench.status is ServiceStatus.IN_SERVICE or booking.kind is CheckKind.AS_LEFT:
            return []
        return [
            Finding(
                field="/kind",
                detail=f"{wrench.serial} is not in service ({wrench.status_reason}), so no check "
                f"{booking.kind.value.replace('_', ' ')} of it is due",
                remedy="once it has been adjusted, book it with kind as_left, or put it back in "
                "service first",
            )
        ]

    def _day_findings(self, booking: Booking) -> list[Finding]:
        day, last = booking.day, last_planned_day(self.today)
        taken = self.taken(besides=booking.id)
        if not self.today <= day <= last:
            return [
                Finding(
                    field="/day",
                    detail=f"{day} is not between {self.today} and {last}",
                    remedy=self._next_free(self.today, taken),
                )
            ]
        if not is_open(self.policy, day):
            return [
                Finding(
                    field="/day",
                    detail=f"the bench is closed on {day:%A}, {day}",
                    remedy=self._next_free(day, taken),
                )
            ]
        places = self.policy.bench_checks_per_day
        if taken[day] >= places:
            told = "its only place is taken" if places == 1 else f"all {places} places are taken"
            return [
                Finding(
                    field="/day",
                    detail=f"the bench is full on {day}: {told}",
                    remedy=self._next_free(day, taken),
                )
            ]
        return []

    def _next_free(self, day: date, taken: Mapping[date, int]) -> str:
        last = last_planned_day(self.today)
        free = next_free_day(self.policy, max(min(day, last), self.today), last, taken)
        if free is None:
            free = next_free_day(self.policy, self.today, last, taken)
        return "free a day first: none is left" if free is None else f"the next free day is {free}"


@dataclass(frozen=True, slots=True)
class DueDay:
    """When a wrench is due, and the last day that policy allows; both directions counted."""

    due: date
    cap: date


def due_days(own: "Collection[Due]", time_zone: str) -> DueDay:
    """Of a wrench's directions, at least one; the earlier counts."""
    caps = [min(found.months_day, found.cycles_day or found.months_day) for found in own]
    return DueDay(
        due=min(date_of_day(found.due_day, time_zone) for found in own),
        cap=min(date_of_day(cap, time_zone) for cap in caps),
    )


def booking_cautions(
    booking: Booking, wrench: Wrench, last: "Mapping[Direction, datetime]", policy: Policy
) -> tuple[str, ...]:
    """What to know about a booked day beside the day itself.

    Held against the policy's months, which the records alone tell; the schedule says how the day
    lies to the due date that the forecast sets.

    last   the instant of the wrench's last check or card that counts, in each direction
    """
    from analysis.due import add_months

    if booking.status is BookingStatus.CANCELLED or booking.kind is CheckKind.AS_LEFT:
        return ()
    counting = [instant for way, instant in last.items() if wrench.mpd(way) is not None]
    if not counting:
        return (f"Nothing is known of {wrench.serial}: keep it out of use until its check.",)
    cap = date_of_day(add_months(day_of(min(counting)), policy.cap_months), policy.time_zone)
    if booking.day <= cap:
        return ()
    days = (booking.day - cap).days
    told = (
        f"{booking.day} is {'1 day' if days == 1 else f'{days} days'} after {cap}, the last day "
        f"that the policy allows: {wrench.serial} is overdue from then until its check."
    )
    return (told,)
