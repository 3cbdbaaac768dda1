"""The rules that a pull must keep to be recorded, whichever road it comes by.

Work that was done is evidence, however wrongly it was done: a torque beyond the marked range, or a
wrench that was out of service, is kept and flagged. Refused is only what cannot have happened.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Final
from uuid import uuid4

from analysis.vocabulary import Direction
from service.findings import Finding, Refused
from service.intake import time_findings
from service.out_of_service import Spell, was_out_of_service
from service.records import Pull, Wrench
from service.torque import Torque

MOST_ALIKE: Final = 10_000  # pulls in one record; a job has fewer (a choice)
WIDEST_ANGLE_DEG: Final = 3600.0  # ten turns; no procedure asks for more (a choice)
_RANGE_SLACK: Final = 1e-9  # conversion moves the ends of a range by rounding noise


class PullFlag(StrEnum):
    """What is odd about work that is kept all the same."""

    OUTSIDE_MARKED_RANGE = "outside_marked_range"
    NO_STATED_TOLERANCE = "no_stated_tolerance"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True, kw_only=True)
class PullDraft:
    """A pull as sent."""

    job: str
    torque: Torque
    direction: Direction
    angle_deg: float | None
    performed_at: datetime
    operator: str | None
    count: int
    client_id: str | None


def admit_pull(
    draft: PullDraft, *, wrench: Wrench, out_of_service: Sequence[Spell], now: datetime
) -> Pull:
    """The pull to store, with a new id and its times in UTC.

    out_of_service   when the wrench was

    Fields of findings are JSON pointers into one pull of the body.
    Raises Refused with all findings.
    """
    findings = [
        *time_findings(draft.performed_at, now, taken="the work was done"),
        *_content_findings(draft),
    ]
    if findings:
        raise Refused(findings)
    performed_at = draft.performed_at.astimezone(UTC)
    return Pull(
        id=str(uuid4()),
        wrench=wrench.serial,
        job=draft.job,
        torque=draft.torque,
        direction=draft.direction,
        angle_deg=draft.angle_deg,
        performed_at=performed_at,
        operator=draft.operator,
        count=draft.count,
        client_id=draft.client_id,
        out_of_service=was_out_of_service(out_of_service, performed_at),
        recorded_at=now.astimezone(UTC),
    )


def flags_of(pull: Pull, wrench: Wrench) -> tuple[PullFlag, ...]:
    """What is odd about a pull of this wrench, by its range and tolerance as they stand."""
    slack = _RANGE_SLACK * wrench.full_scale.nm
    inside = wrench.lowest.nm - slack <= pull.torque.nm <= wrench.full_scale.nm + slack
    odd = {
        PullFlag.OUTSIDE_MARKED_RANGE: not inside,
        PullFlag.NO_STATED_TOLERANCE: wrench.mpd(pull.direction) is None,
        PullFlag.OUT_OF_SERVICE: pull.out_of_service,
    }
    return tuple(flag for flag, is_so in odd.items() if is_so)


def says_the_same(draft: PullDraft, pull: Pull) -> bool:
    """Whether the draft says nothing else than a pull that is stored."""
    return (
        draft.job == pull.job
        and draft.torque == pull.torque
        and draft.direction is pull.direction
        and draft.angle_deg == pull.angle_deg
        and draft.performed_at == pull.performed_at
        and draft.operator == pull.operator
        and draft.count == pull.count
        and draft.client_id == pull.client_id
    )


def _content_findings(draft: PullDraft) -> Iterator[Finding]:
    if draft.torque.nm <= 0:
        yield Finding(
            field="/torque/value",
            detail=f"{draft.torque} is no torque of a pull",
            remedy="send the torque that the wrench was set to or showed; the direction says"
            " which way",
        )
    if not 1 <= draft.count <= MOST_ALIKE:
        yield Finding(
            field="/count",
            detail=f"{draft.count} is no number of pulls alike",
            remedy=f"send how many pulls were made, 1 to {MOST_ALIKE:,}",
        )
    if draft.angle_deg is not None and not 0 < draft.angle_deg <= WIDEST_ANGLE_DEG:
        yield Finding(
            field="/angle_deg",
            detail=f"{draft.angle_deg:g} degrees is no angle of a pull",
            remedy=f"send degrees above 0 and up to {WIDEST_ANGLE_DEG:g}, or leave it out",
        )
