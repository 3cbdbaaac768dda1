"""The feed keeps to iCalendar, RFC 5545: read back by a library, and told apart by its UIDs."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from icalendar import Calendar

from analysis.vocabulary import CheckKind
from service.bench_plan import PlannedVisit
from service.booking_records import Booking, BookingStatus
from service.calendar_feed import visit_feed
from service.wording import visit_in_words

TODAY = date(2026, 5, 4)
BOOKED = Booking(
    id="b-1",
    wrench="SP-1",
    kind=CheckKind.AS_FOUND,
    day=date(2026, 5, 11),
    recorded_at=datetime(2026, 5, 4, 9, 30, 12, 345, tzinfo=UTC),
)


def a_visit(wrench: str = "SP-1", day: date = date(2026, 12, 31), **changes: Any) -> PlannedVisit:
    fields: dict[str, Any] = {
        "wrench": wrench,
        "day": day,
        "due": day,
        "cap": day,
        "failure_probability": 0.04,
        "expected_days_out": 1.0,
    }
    return PlannedVisit(**fields | changes)


def a_feed(
    *visits: PlannedVisit, shop: str = "local", day: date = TODAY, bookings: Any = ()
) -> bytes:
    return visit_feed(shop, visits, bookings, day)


def events(*visits: PlannedVisit, **where: Any) -> list[Any]:
    return list(Calendar.from_ical(a_feed(*visits, **where)).walk("VEVENT"))


def test_an_event_is_the_whole_day_of_its_visit() -> None:
    """Section 3.6.1: DTEND is not part of the event."""
    (event,) = events(a_visit())
    assert event["DTSTART"].dt == date(2026, 12, 31)
    assert event["DTEND"].dt == date(2027, 1, 1)
    assert event["DTSTART"].params["VALUE"] == "DATE"
    assert event["TRANSP"] == "TRANSPARENT"
    assert event["STATUS"] == "TENTATIVE"
    assert event["SUMMARY"] == "Check wrench SP-1"
    assert event["DESCRIPTION"] == visit_in_words(a_visit())


def test_a_late_visit_says_so() -> None:
    (event,) = events(a_visit(due=TODAY))
    assert event["SUMMARY"] == "Check wrench SP-1 (late)"


def test_an_event_keeps_its_uid_when_its_day_moves_and_is_the_later_revision() -> None:
    """Sections 3.8.4.7 and 3.8.7.4: UID persists, SEQUENCE rises."""
    (first,) = events(a_visit(), day=TODAY)
    (moved,) = events(a_visit(day=date(2026, 11, 2)), day=TODAY + timedelta(days=1))
    assert first["UID"] == moved["UID"]
    assert moved["SEQUENCE"] > first["SEQUENCE"]
    assert first["DTSTAMP"].dt == datetime(2026, 5, 4, tzinfo=UTC)
    assert moved["DTSTAMP"].dt > first["DTSTAMP"].dt
    assert moved["LAST-MODIFIED"].dt > first["LAST-MODIFIED"].dt


def test_a_booked_visit_is_confirmed_and_every_change_is_a_revision_of_one_event() -> None:
    """Section 3.8.1.11 has the three words; the day of the feed changes nothing."""
    moved = replace(
        BOOKED,
        day=date(2026, 5, 12),
        version=2,
        recorded_at=BOOKED.recorded_at + timedelta(hours=1),
    )
    cancelled = replace(
        moved,
        status=BookingStatus.CANCELLED,
        reason="away",
        version=3,
        recorded_at=moved.recorded_at + timedelta(days=1),
    )
    (first,) = events(a_visit(day=BOOKED.day, booking=BOOKED), bookings=[BOOKED])
    (second,) = events(a_visit(day=moved.day, booking=moved), bookings=[moved])
    assert events(a_visit(day=moved.day, booking=moved), day=TODAY + timedelta(days=1)) == [second]
    (third,) = events(bookings=[cancelled])
    assert first["UID"] == second["UID"] == third["UID"] == "booking-b-1@local.wrench-drift"
    assert [event["STATUS"] for event in (first, second, third)] == [
        "CONFIRMED", "CONFIRMED", "CANCELLED",
    ]  # fmt: skip
    assert [event["SEQUENCE"] for event in (first, second, third)] == [0, 1, 2]
    stamps = [event["DTSTAMP"].dt for event in (first, second, third)]
    assert stamps == sorted(set(stamps))
    assert stamps[0] == datetime(2026, 5, 4, 9, 30, 12, tzinfo=UTC)
    assert third["SUMMARY"] == "Check wrench SP-1 (cancelled)"


@pytest.mark.parametrize(("ago", "told"), [(31, True), (32, False)])
def test_a_cancelled_booking_leaves_the_feed_a_month_after_its_day(ago: int, told: bool) -> None:
    gone = replace(BOOKED, status=BookingStatus.CANCELLED, day=TODAY - timedelta(days=ago))
    assert bool(events(bookings=[gone])) is told


def test_every_event_has_what_the_standard_requires_once() -> None:
    """Section 3.6.1, read by hand: UID and DTSTAMP once; DTSTART, which a feed without METHOD
    needs; each of the others at most once. DTSTAMP and LAST-MODIFIED are in UTC (3.8.7.2, .3).
    """
    gone = replace(BOOKED, id="b-2", status=BookingStatus.CANCELLED, version=2)
    text = a_feed(a_visit(), a_visit("SP-2", booking=BOOKED), bookings=[BOOKED, gone]).decode()
    unfolded = re.sub(r"\r\n[ \t]", "", text)
    blocks = re.findall(r"BEGIN:VEVENT\r\n(.*?)END:VEVENT\r\n", unfolded, flags=re.DOTALL)
    assert len(blocks) == 3
    for block in blocks:
        names = [re.split("[;:]", line)[0] for line in block.splitlines()]
        assert len(names) == len(set(names))
        assert {"UID", "DTSTAMP", "DTSTART", "SEQUENCE", "STATUS", "LAST-MODIFIED"} <= set(names)
        assert re.search(r"^DTSTAMP:\d{8}T\d{6}Z\r?$", block, flags=re.MULTILINE)
        assert re.search(r"^LAST-MODIFIED:\d{8}T\d{6}Z\r?$", block, flags=re.MULTILINE)
        assert re.search(r"^DTSTART;VALUE=DATE:\d{8}\r?$", block, flags=re.MULTILINE)
    head = unfolded.split("BEGIN:VEVENT")[0]
    assert re.search(r"^PRODID:.+\r?$", head, flags=re.MULTILINE)
    assert re.search(r"^VERSION:2\.0\r?$", head, flags=re.MULTILINE)


def test_wrenches_and_shops_are_told_apart() -> None:
    ours = events(a_visit("SP-1"), a_visit("SP 1"), a_visit("SP%201"))
    theirs = events(a_visit("SP-1"), shop="second")
    uids = [str(event["UID"]) for event in (*ours, *theirs)]
    assert len(set(uids)) == 4
    assert all(uid.isascii() and " " not in uid for uid in uids)


def test_a_serial_with_separators_comes_back_as_it_is() -> None:
    """Section 3.3.11: backslash, semicolon and comma are escaped."""
    serial = 'a\\b;c,d "e" läuft ' * 8
    (event,) = events(a_visit(serial))
    assert event["SUMMARY"] == f"Check wrench {serial}"


def test_lines_are_short_and_end_as_they_must() -> None:
    """Section 3.1: at most 75 octets, CRLF, and no character of UTF-8 torn apart."""
    feed = a_feed(a_visit("20 N·m läuft " * 15))
    lines = feed.split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) <= 75
    assert all(line.decode() is not None and b"\n" not in line for line in lines)


def test_the_same_plan_is_the_same_feed_and_an_empty_one_is_a_calendar_still() -> None:
    assert a_feed(a_visit()) == a_feed(a_visit())
    calendar = Calendar.from_ical(a_feed())
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    assert calendar.walk("VEVENT") == []
