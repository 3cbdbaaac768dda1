"""The rules that a check must keep to be stored, whichever road it comes by.

What arrives is a draft in the units it was sent in. `admit_check` answers with the check, or with
every finding at once, each with its remedy.
"""

from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final
from uuid import uuid4
from zoneinfo import ZoneInfo

from analysis.vocabulary import CheckKind, Direction
from service.findings import Finding, Refused
from service.points_intake import PointDraft, admitted_points, point_findings, same_points
from service.records import Card, Check, Policy, Tester, Wrench

# A bench computer's clock may run ahead a little. Common practice, no source.
CLOCK_SLACK: Final = timedelta(minutes=5)
# A date before this is a clock that was never set.
EARLIEST: Final = datetime(1970, 1, 2, tzinfo=UTC)
# A bench outside this is a slip of the keyboard. Common practice, no source.
TEMPERATURE_C: Final = (-40.0, 60.0)
LONGEST_TEXT: Final = 200

__all__ = ["CheckDraft", "CycleCounts", "PointDraft", "admit_check", "is_recorded_as"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckDraft:
    """A check as sent. `confirm_unusual` stands by readings that look like a slip."""

    kind: CheckKind
    direction: Direction
    performed_at: datetime
    tester: str | None
    operator: str | None
    temperature_c: float | None
    cycle_count: int | None
    points: tuple[PointDraft, ...]
    card: Card | None = None
    replaces: str | None = None
    confirm_unusual: bool = False


class CycleCounts:
    """The counts read off one wrench, by time; they can only rise."""

    def __init__(self, counts: Iterable[tuple[datetime, int]] = ()) -> None:
        self._counts = sorted(counts)

    def add(self, at: datetime, count: int) -> None:
        insort(self._counts, (at, count))

    def bounds(self, at: datetime) -> tuple[int, int | None]:
        """The lowest and the highest count possible at an instant; None: as high as you like."""
        until = bisect_right(self._counts, at, key=_instant)
        since = bisect_left(self._counts, at, key=_instant)
        lowest = self._counts[until - 1][1] if until else 0
        highest = self._counts[since][1] if since < len(self._counts) else None
        return lowest, highest


def _instant(count: tuple[datetime, int]) -> datetime:
    return count[0]


def admit_check(
    draft: CheckDraft,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    earlier: CycleCounts,
    now: datetime,
    replaced: Check | None = None,
) -> Check:
    """The check to store, with a new id and its times in UTC.

    wrench     the wrench that was checked
    tester     the shop's tester with the serial `draft.tester`, None when it has none
    earlier    the counts on record for the wrench (`shop_store.checks.cycle_counts(serial)`)
    replaced   the shop's check with the id `draft.replaces`, None when it has none

    Fields of findings are JSON pointers into the body of POST /v1/wrenches/{serial}/checks.
    Raises Refused with all findings.
    """
    of_time = list(_time_findings(draft, now))
    day = None if of_time else draft.performed_at.astimezone(ZoneInfo(policy.time_zone)).date()
    findings = [
        *of_time,
        *_direction_findings(draft, wrench),
        *_source_findings(draft, tester, day, now),
        *_circumstance_findings(draft, earlier),
        *_replacement_findings(draft, wrench, replaced),
        *point_findings(
            draft.points, wrench=wrench, tester=tester, confirm_unusual=draft.confirm_unusual
        ),
    ]
    if findings:
        raise Refused(findings)
    return Check(
        id=str(uuid4()),
        wrench=wrench.serial,
        kind=draft.kind,
        direction=draft.direction,
        performed_at=draft.performed_at.astimezone(UTC),
        tester=draft.tester,
        operator=draft.operator,
        temperature_c=draft.temperature_c,
        cycle_count=draft.cycle_count,
        points=admitted_points(draft.points),
        card=draft.card,
        replaces=draft.replaces,
        recorded_at=now.astimezone(UTC),
    )


def is_recorded_as(draft: CheckDraft, check: Check) -> bool:
    """Whether the draft says nothing else than a check that is stored."""
    return (
        draft.kind is check.kind
        and draft.direction is check.direction
        and draft.performed_at == check.performed_at
        and draft.tester == check.tester
        and draft.operator == check.operator
        and draft.temperature_c == check.temperature_c
        and draft.cycle_count == check.cycle_count
        and draft.card == check.card
        and same_points(draft.points, check.points)
    )


def _is_dated(draft: CheckDraft) -> bool:
    return draft.performed_at.tzinfo is not None


def _time_findings(draft: CheckDraft, now: datetime) -> Iterator[Finding]:
    if not _is_dated(draft):
        yield Finding(
            field="/performed_at",
            detail=f"{draft.performed_at.isoformat()} does not say which time zone it is in",
            remedy="add the offset from UTC, e.g. 2026-05-04T08:10:00Z",
        )
        return
    if draft.performed_at > now + CLOCK_SLACK:
        yield Finding(
            field="/performed_at",
            detail=f"{draft.performed_at.isoformat()} is in the future",
            remedy="send the time at which the readings were taken, and look at the bench's clock",
        )
    if draft.performed_at < EARLIEST:
        yield Finding(
            field="/performed_at",
            detail=f"{draft.performed_at.isoformat()} is before 1970",
            remedy="send the time at which the readings were taken, and look at the bench's clock",
        )


def _direction_findings(draft: CheckDraft, wrench: Wrench) -> Iterator[Finding]:
    if wrench.mpd(draft.direction) is None:
        yield Finding(
            field="/direction",
            detail=f"wrench {wrench.serial} has no stated tolerance {draft.direction.value}",
            remedy="give the wrench its maximum permissible deviation that way, from its maker's "
            "data or ISO 6789-1, or check it the way it is made for",
        )


def _source_findings(
    draft: CheckDraft, tester: Tester | None, day: date | None, now: datetime
) -> Iterator[Finding]:
    """Who measured: a tester in calibration on that day, or the card that came with the wrench.

    day   of the check in the shop's zone; None when the time itself is wrong
    """
    if draft.card is not None:
        if draft.tester is not None:
            yield Finding(
                field="/tester",
                detail="a card speaks of readings that the shop's tester did not take",
                remedy="leave out tester, or leave out card",
            )
        yield from _card_findings(draft.card)
        # A day of grace: the card does not say in which time zone it was issued.
        if day is not None and draft.card.issued_on < day - timedelta(days=1):
            yield Finding(
                field="/card/issued_on",
                detail=f"the card was issued on {draft.card.issued_on}, before its readings",
                remedy="send the date on the card, and in performed_at the day of its readings",
            )
        if draft.card.issued_on > now.date() + timedelta(days=1):
            yield Finding(
                field="/card/issued_on",
                detail=f"{draft.card.issued_on} is in the future",
                remedy="send the date on the card",
            )
        return
    if draft.tester is None:
        yield Finding(
            field="/tester",
            detail="neither a tester nor a card says who measured",
            remedy="name the tester by its serial, or send the card that came with the wrench",
        )
        return
    if tester is None:
        yield Finding(
            field="/tester",
            detail=f"the shop has no tester {draft.tester!r}",
            remedy="register the tester with its certificate first, or correct the serial",
        )
        return
    if day is None:
        return
    if day < tester.calibrated_on:
        yield Finding(
            field="/tester",
            detail=f"tester {tester.serial} was calibrated on {tester.calibrated_on}, "
            f"after this check of {day}",
            remedy="give the tester the certificate that was in force on that day, "
            "or check the wrench again",
        )
    if day > tester.due_on:
        yield Finding(
            field="/tester",
            detail=f"tester {tester.serial} was due on {tester.due_on}, before this check of {day}",
            remedy="enter the tester's new certificate when it was calibrated by then, "
            "or check the wrench again with a tester in calibration",
        )


def _card_findings(card: Card) -> Iterator[Finding]:
    for name, what, text in (
        ("issuer", "who issued the card", card.issuer),
        ("certificate", "the number of the card", card.certificate),
    ):
        if not text.strip():
            yield Finding(
                field=f"/card/{name}",
                detail=f"{what} is missing",
                remedy="send it as it is printed on the card",
            )
        elif len(text) > LONGEST_TEXT:
            yield _too_long(f"/card/{name}")
    uncertainty, factor = card.expanded_uncertainty_pct, card.coverage_factor
    if uncertainty is not None and not 0 < uncertainty <= 100:
        yield Finding(
            field="/card/expanded_uncertainty_pct",
            detail=f"{uncertainty:g} is no expanded uncertainty in percent of the reading",
            remedy="send a number above 0, or leave it out when the card does not state it",
        )
    if factor is not None and not 1 <= factor <= 4:
        yield Finding(
            field="/card/coverage_factor",
            detail=f"{factor:g} is no coverage factor",
            remedy="send the k on the card, most often 2, or leave it out",
        )


def _circumstance_findings(draft: CheckDraft, earlier: CycleCounts) -> Iterator[Finding]:
    if draft.operator is not None and len(draft.operator) > LONGEST_TEXT:
        yield _too_long("/operator")
    low, high = TEMPERATURE_C
    if draft.temperature_c is not None and not low <= draft.temperature_c <= high:
        yield Finding(
            field="/temperature_c",
            detail=f"{draft.temperature_c:g} °C is no temperature of a bench",
            remedy=f"send degrees Celsius between {low:g} and {high:g}, or leave it out",
        )
    count = draft.cycle_count
    if count is None:
        return
    if not 0 <= count < 2**53:
        yield Finding(
            field="/cycle_count",
            detail=f"{count} is no count of cycles",
            remedy="send the counter's reading, or leave it out",
        )
        return
    if not _is_dated(draft):
        return
    lowest, highest = earlier.bounds(draft.performed_at)
    if count < lowest:
        yield Finding(
            field="/cycle_count",
            detail=f"{count} is lower than the {lowest} of an earlier check",
            remedy="correct the count; leave it out when the counter was changed or reset",
        )
    elif highest is not None and count > highest:
        yield Finding(
            field="/cycle_count",
            detail=f"{count} is higher than the {highest} of a later check",
            remedy="correct the count or the time of the check",
        )


def _replacement_findings(
    draft: CheckDraft, wrench: Wrench, replaced: Check | None
) -> Iterator[Finding]:
    if draft.replaces is None:
        return
    if replaced is None or replaced.wrench != wrench.serial:
        yield Finding(
            field="/replaces",
            detail=f"wrench {wrench.serial} has no check {draft.replaces!r}",
            remedy="send the id of the voided check that this one takes the place of",
        )
    elif replaced.void is None:
        yield Finding(
            field="/replaces",
            detail=f"check {draft.replaces} still counts",
            remedy="void it first, with the reason",
        )


def _too_long(field: str) -> Finding:
    return Finding(
        field=field,
        detail=f"longer than {LONGEST_TEXT} characters",
        remedy="shorten it",
    )
