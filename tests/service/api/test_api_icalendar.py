"""The feed keeps to iCalendar: RFC 5545."""

from datetime import date

from service.icalendar import DayEvent, calendar


def event(**changes: str) -> DayEvent:
    texts = {"uid": "SP-1@shop", "summary": "Check", "description": "Due"} | changes
    return DayEvent(day=date(2026, 12, 31), **texts)


def feed(*events: DayEvent) -> str:
    return calendar("Checks", events, date(2026, 5, 4))


def test_a_day_ends_where_the_next_begins() -> None:
    """Section 3.6.1: DTEND is not part of the event."""
    lines = feed(event()).split("\r\n")
    assert "DTSTART;VALUE=DATE:20261231" in lines
    assert "DTEND;VALUE=DATE:20270101" in lines


def test_text_is_escaped() -> None:
    """Section 3.3.11: backslash, semicolon, comma and line break."""
    assert "SUMMARY:a\\\\b\\;c\\,d\\ne\r\n" in feed(event(summary="a\\b;c,d\ne"))


def test_long_lines_are_folded_between_characters() -> None:
    """Section 3.1: at most 75 octets, and no character of UTF-8 torn apart."""
    text = "20 N·m läuft " * 20
    lines = feed(event(description=text)).split("\r\n")
    assert max(len(line.encode()) for line in lines) <= 75
    unfolded = "\r\n".join(lines).replace("\r\n ", "")
    assert f"DESCRIPTION:{text}\r\n" in unfolded


def test_a_feed_without_events_is_a_calendar_still() -> None:
    lines = feed().split("\r\n")
    assert lines[0] == "BEGIN:VCALENDAR"
    assert "VERSION:2.0" in lines
    assert lines[-2] == "END:VCALENDAR"
