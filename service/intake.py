"""The rules that a check must keep to be stored, whichever road it comes by.

What arrives is a draft in the units it was sent in. `admit_check` answers with the check, or with
every finding at once, each with its remedy.
"""

from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol
from uuid import uuid4
from zoneinfo import ZoneInfo

from analysis.vocabulary import CheckKind, Direction
from service.findings import Finding, Refused
from service.points_intake import PointDraft, admitted_points, point_findings, same_points
from service.records import Card, Check, Point, Policy, Tester, Void, Wrench
from service.source_intake import LONGEST_TEXT, source_findings, too_long

# A bench computer's clock may run ahead a little. Common practice, no source.
CLOCK_SLACK: Final = timedelta(minutes=5)
# A date before this is a clock that was never set.
EARLIEST: Final = datetime(1970, 1, 2, tzinfo=UTC)
# A bench outside this is a slip of the keyboard. Common practice, no source.
TEMPERATURE_C: Final = (-40.0, 60.0)

__all__ = [
    "CheckDraft",
    "CycleCounts",
    "PointDraft",
    "admit_check",
    "check_to_store",
    "direction_findings",
    "head_findings",
    "is_recorded_as",
    "replacement_findings",
    "time_findings",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckDraft:
    """A check as sent.

    replaces_because  why the check that it replaces was wrong, which is voided along with it
    confirm_unusual   stands by readings that look like a slip
    """

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
    replaces_because: str | None = None
    confirm_unusual: bool = False

    @property
    def corrections(self) -> dict[str, str]:
        """By id of the check that is to be voided along with it: why."""
        if self.replaces is None or self.replaces_because is None:
            return {}
        return {self.replaces: self.replaces_because}


class Voidable(Protocol):
    """A check of torques or of angles, as far as it may be replaced."""

    @property
    def wrench(self) -> str: ...
    @property
    def void(self) -> Void | None: ...


class CycleCounts:
    """The counts read off one wrench, by time; they can only rise."""

    def __init__(self, counts: Iterable[tuple[datetime, int]] = ()) -> None:
        self._counts = sorted(counts)

    def add(self, at: datetime, count: int) -> None:
        insort(self._counts, (at, count))

    def without(self, at: datetime, count: int | None) -> "CycleCounts":
        """The counts but for one that is to be voided."""
        return CycleCounts(each for each in self._counts if each != (at, count))

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
    findings = [
        *head_findings(
            draft,
            wrench=wrench,
            tester=tester,
            policy=policy,
            earlier=earlier,
            now=now,
            replaced=replaced,
        ),
        *point_findings(
            draft.points, wrench=wrench, tester=tester, confirm_unusual=draft.confirm_unusual
        ),
    ]
    if findings:
        raise Refused(findings)
    return check_to_store(draft, admitted_points(draft.points), wrench=wrench, now=now)


def head_findings(
    draft: CheckDraft,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    earlier: CycleCounts,
    now: datetime,
    replaced: Check | None = None,
) -> list[Finding]:
    """What is wrong with a check apart from its points; arguments as `admit_check` has them."""
    of_time = list(time_findings(draft.performed_at, now, taken="the readings were taken"))
    day = None if of_time else draft.performed_at.astimezone(ZoneInfo(policy.time_zone)).date()
    return [
        *of_time,
        *direction_findings(draft.direction, wrench),
        *source_findings(draft.tester, draft.card, tester=tester, day=day, now=now),
        *_circumstance_findings(
            draft,
            earlier.without(replaced.performed_at, replaced.cycle_count) if replaced else earlier,
        ),
        *replacement_findings(draft.replaces, draft.replaces_because, wrench, replaced),
    ]


def check_to_store(
    draft: CheckDraft, points: tuple[Point, ...], *, wrench: Wrench, now: datetime
) -> Check:
    """The check of a draft without findings, with a new id and its times in UTC."""
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
        points=points,
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


def time_findings(at: datetime, now: datetime, *, taken: str) -> Iterator[Finding]:
    """What is wrong with the time of something done; `taken` says what, for the remedy."""
    if at.tzinfo is None:
        yield Finding(
            field="/performed_at",
            detail=f"{at.isoformat()} does not say which time zone it is in",
            remedy="add the offset from UTC, e.g. 2026-05-04T08:10:00Z",
        )
        return
    wrong = "is in the future" if at > now + CLOCK_SLACK else ""
    wrong = "is before 1970" if at < EARLIEST else wrong
    if wrong:
        yield Finding(
            field="/performed_at",
            detail=f"{at.isoformat()} {wrong}",
            remedy=f"send the time at which {taken}, and look at the clock it was read from",
        )


def direction_findings(direction: Direction, wrench: Wrench) -> Iterator[Finding]:
    """What is wrong with the direction of a check; the field is /direction."""
    if wrench.mpd(direction) is None:
        yield Finding(
            field="/direction",
            detail=f"wrench {wrench.serial} has no stated tolerance {direction.value}",
            remedy="give the wrench its maximum permissible deviation that way, from its maker's "
            "data or ISO 6789-1, or check it the way it is made for",
        )


def _circumstance_findings(draft: CheckDraft, earlier: CycleCounts) -> Iterator[Finding]:
    if draft.operator is not None and len(draft.operator) > LONGEST_TEXT:
        yield too_long("/operator")
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
    if draft.performed_at.tzinfo is None:
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


def replacement_findings(
    replaces: str | None, because: str | None, wrench: Wrench, replaced: Voidable | None
) -> Iterator[Finding]:
    """What is wrong with the check that another takes the place of, or with the reason for it.

    The fields are /replaces and /replaces_because.
    """
    if replaces is None:
        if because is not None:
            yield Finding(
                field="/replaces_because",
                detail="it says why a check was wrong, and not which",
                remedy="send the id of that check in replaces, or leave the reason out",
            )
        return
    if replaced is None or replaced.wrench != wrench.serial:
        yield Finding(
            field="/replaces",
            detail=f"wrench {wrench.serial} has no check {replaces!r}",
            remedy="send the id of the check that this one takes the place of",
        )
    elif replaced.void is None and because is None:
        yield Finding(
            field="/replaces",
            detail=f"check {replaces} still counts",
            remedy="say in replaces_because why it was wrong, to have it voided in the same moment;"
            " or void it first",
        )
    elif replaced.void is not None and because is not None:
        yield Finding(
            field="/replaces_because",
            detail=f"check {replaces} is voided already, and the first reason stands",
            remedy="leave the reason out",
        )
