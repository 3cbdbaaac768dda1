"""The bench's visits as a feed for calendars: iCalendar (RFC 5545), whole-day events.

A wrench has one visit ahead of it, so its event is known by shop and wrench, and a calendar that
follows the feed moves it when the date moves. What is fed on a later day is the later revision.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from service.frames import number_of_date
from service.wording import visit_in_words

if TYPE_CHECKING:
    from icalendar import Event

    from analysis.schedule import Visit

PRODUCT: Final = "-//wrench-drift//schedule//EN"


def visit_feed(shop: str, visits: "Iterable[Visit]", day: date) -> bytes:
    """The feed of a shop's visits, in UTF-8.

    day   the date that the plan was made for
    """
    from icalendar import Calendar  # slow to import, and few ask for a feed

    feed = Calendar.new(uid=f"checks@{_named(shop)}", prodid=PRODUCT, name="Torque wrench checks")
    for visit in visits:
        feed.add_component(_event(shop, visit, day))
    rendered: bytes = feed.to_ical()
    return rendered


def _named(shop: str) -> str:
    """The shop as the right-hand side of its UIDs."""
    return f"{quote(shop, safe='')}.wrench-drift"


def _event(shop: str, visit: "Visit", day: date) -> "Event":
    from icalendar import TRANSP, Event

    return Event.new(
        uid=f"check-{quote(visit.wrench, safe='')}@{_named(shop)}",
        # Without a method this is when the event was last revised (RFC 5545, section 3.8.7.2), and
        # the sequence may only rise (3.8.7.4): both follow the day of the plan.
        stamp=datetime.combine(day, time(), UTC),
        sequence=int(number_of_date(day)),
        start=visit.day,
        end=visit.day + timedelta(days=1),  # DTEND is not part of it (3.6.1)
        summary=f"Check wrench {visit.wrench}" + (" (late)" if visit.late else ""),
        description=visit_in_words(visit),
        transparency=TRANSP.TRANSPARENT,
    )
