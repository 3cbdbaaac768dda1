"""A feed of days for calendars: iCalendar (RFC 5545), whole-day events."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

_LINE_OCTETS: Final = 75  # RFC 5545, section 3.1


@dataclass(frozen=True, slots=True, kw_only=True)
class DayEvent:
    """One event that lasts a day; `uid` stays the same when the event moves."""

    uid: str
    day: date
    summary: str
    description: str


def calendar(name: str, events: Iterable[DayEvent], day: date) -> str:
    """The feed as text; `day` is the date that it speaks for."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//wrench-drift//schedule//EN",
        "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{_text(name)}",
    ]
    for event in events:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_text(event.uid)}",
            f"DTSTAMP:{day:%Y%m%d}T000000Z",
            f"DTSTART;VALUE=DATE:{event.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{event.day + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(event.summary)}",
            f"DESCRIPTION:{_text(event.description)}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{part}\r\n" for line in lines for part in _folded(line))


def _text(value: str) -> str:
    """TEXT of RFC 5545, section 3.3.11."""
    escaped = value.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return escaped.replace("\n", "\\n")


def _folded(line: str) -> Iterator[str]:
    """Lines of at most 75 octets, the next ones begun with a blank (RFC 5545, section 3.1)."""
    part, room = "", _LINE_OCTETS
    for character in line:
        size = len(character.encode())
        if size > room:
            yield part
            part, room = " ", _LINE_OCTETS - 1
        part += character
        room -= size
    yield part
