"""The bench's visits as a feed for calendars: iCalendar (RFC 5545), whole-day events.

A visit that the plan foresees is tentative, and known by shop and wrench: a wrench has one ahead of
it, and a calendar that follows the feed moves it when the date moves. A booked visit is confirmed
and known by its booking; cancelled, it stays in the feed as cancelled for a month after its day,
so that calendars learn of it.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from service.bench_plan import PlannedVisit
from service.booking_records import Booking, BookingStatus
from service.frames import number_of_date
from service.wording import booking_in_words, visit_in_words

if TYPE_CHECKING:
    from icalendar import Event

PRODUCT: Final = "-//wrench-drift//schedule//EN"
_CANCELLED_FOR: Final = timedelta(days=31)


def visit_feed(
    shop: str, visits: Iterable[PlannedVisit], bookings: Iterable[Booking], day: date
) -> bytes:
    """The feed of a shop's visits and of the bookings cancelled lately, in UTF-8.

    bookings  as they stand; only the cancelled ones are read, the others are visits
    day       the date that the plan was made for
    """
    from icalendar import Calendar  # slow to import, and few ask for a feed

    feed = Calendar.new(uid=f"checks@{_named(shop)}", prodid=PRODUCT, name="Torque wrench checks")
    for visit in visits:
        feed.add_component(_visit(shop, visit, day))
    for booking in bookings:
        if booking.status is BookingStatus.CANCELLED and day - booking.day <= _CANCELLED_FOR:
            feed.add_component(_cancelled(shop, booking))
    rendered: bytes = feed.to_ical()
    return rendered


def _named(shop: str) -> str:
    """The shop as the right-hand side of its UIDs."""
    return f"{quote(shop, safe='')}.wrench-drift"


def _visit(shop: str, visit: PlannedVisit, day: date) -> "Event":
    from icalendar import STATUS

    late = " (late)" if visit.late else ""
    if visit.booking is not None:
        return _event(
            status=STATUS.CONFIRMED,
            day=visit.day,
            summary=f"Check wrench {visit.wrench}{late}",
            description=visit_in_words(visit),
            **_revision_of(shop, visit.booking),
        )
    # Without a method DTSTAMP is when the event was last revised (RFC 5545, section 3.8.7.2), and
    # the sequence may only rise (3.8.7.4): both follow the day of the plan.
    revised = datetime.combine(day, time(), UTC)
    return _event(
        uid=f"check-{quote(visit.wrench, safe='')}@{_named(shop)}",
        stamp=revised,
        last_modified=revised,
        sequence=int(number_of_date(day)),
        status=STATUS.TENTATIVE,
        day=visit.day,
        summary=f"Check wrench {visit.wrench}{late}",
        description=visit_in_words(visit),
    )


def _cancelled(shop: str, booking: Booking) -> "Event":
    from icalendar import STATUS

    return _event(
        status=STATUS.CANCELLED,
        day=booking.day,
        summary=f"Check wrench {booking.wrench} (cancelled)",
        description=booking_in_words(booking),
        **_revision_of(shop, booking),
    )


def _revision_of(shop: str, booking: Booking) -> dict[str, Any]:
    """Which event a booking is, and which revision of it: its versions count them."""
    revised = booking.recorded_at.replace(microsecond=0)  # iCalendar has whole seconds
    return {
        "uid": f"booking-{booking.id}@{_named(shop)}",
        "stamp": revised,
        "last_modified": revised,
        "sequence": booking.version - 1,
    }


def _event(*, day: date, **properties: Any) -> "Event":
    from icalendar import TRANSP, Event

    return Event.new(
        start=day,
        end=day + timedelta(days=1),  # DTEND is not part of it (section 3.6.1)
        transparency=TRANSP.TRANSPARENT,
        **properties,
    )
