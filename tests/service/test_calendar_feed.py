"""The feed keeps to iCalendar, RFC 5545: read back by a library, and told apart by its UIDs."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

from icalendar import Calendar

from analysis.schedule import Visit
from service.calendar_feed import visit_feed
from service.wording import visit_in_words

TODAY = date(2026, 5, 4)


def a_visit(wrench: str = "SP-1", day: date = date(2026, 12, 31), **changes: Any) -> Visit:
    return Visit(
        **{"wrench": wrench, "day": day, "due": day, "late": False, "failure_probability": 0.04}
        | changes
    )


def events(*visits: Visit, shop: str = "local", day: date = TODAY) -> list[Any]:
    return list(Calendar.from_ical(visit_feed(shop, visits, day)).walk("VEVENT"))


def test_an_event_is_the_whole_day_of_its_visit() -> None:
    """Section 3.6.1: DTEND is not part of the event."""
    (event,) = events(a_visit())
    assert event["DTSTART"].dt == date(2026, 12, 31)
    assert event["DTEND"].dt == date(2027, 1, 1)
    assert event["DTSTART"].params["VALUE"] == "DATE"
    assert event["TRANSP"] == "TRANSPARENT"
    assert event["SUMMARY"] == "Check wrench SP-1"
    assert event["DESCRIPTION"] == visit_in_words(a_visit())


def test_a_late_visit_says_so() -> None:
    (event,) = events(a_visit(late=True, due=TODAY))
    assert event["SUMMARY"] == "Check wrench SP-1 (late)"


def test_an_event_keeps_its_uid_when_its_day_moves_and_is_the_later_revision() -> None:
    """Sections 3.8.4.7 and 3.8.7.4: UID persists, SEQUENCE rises."""
    (first,) = events(a_visit(), day=TODAY)
    (moved,) = events(a_visit(day=date(2026, 11, 2)), day=TODAY + timedelta(days=1))
    assert first["UID"] == moved["UID"]
    assert moved["SEQUENCE"] > first["SEQUENCE"]
    assert first["DTSTAMP"].dt == datetime(2026, 5, 4, tzinfo=UTC)
    assert moved["DTSTAMP"].dt > first["DTSTAMP"].dt


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
    feed = visit_feed("local", [a_visit("20 N·m läuft " * 15)], TODAY)
    lines = feed.split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) <= 75
    assert all(line.decode() is not None and b"\n" not in line for line in lines)


def test_the_same_plan_is_the_same_feed_and_an_empty_one_is_a_calendar_still() -> None:
    assert visit_feed("local", [a_visit()], TODAY) == visit_feed("local", [a_visit()], TODAY)
    calendar = Calendar.from_ical(visit_feed("local", [], TODAY))
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    assert calendar.walk("VEVENT") == []
