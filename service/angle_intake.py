"""The rules that an angle check must keep to be stored; those it shares stand in `intake`."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from uuid import uuid4
from zoneinfo import ZoneInfo

from analysis.vocabulary import CheckKind, Direction
from service.angle_records import AngleCheck, AnglePoint, AngleReading
from service.findings import Finding, Refused
from service.intake import direction_findings, replacement_findings, time_findings
from service.points_intake import LIKELY_SLIP, MOST_POINTS, MOST_READINGS
from service.records import Card, Policy, Tester, Wrench
from service.source_intake import source_findings

_CONFIRM: Final = "if it is right as it stands, send it again with confirm_unusual true"


@dataclass(frozen=True, slots=True, kw_only=True)
class AnglePointDraft:
    """Readings at one target, angles above zero; `indicated_deg` None: the target at each."""

    target_deg: float
    reference_deg: tuple[float, ...]
    indicated_deg: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleCheckDraft:
    """An angle check as sent. `confirm_unusual` stands by readings that look like a slip."""

    kind: CheckKind
    direction: Direction
    performed_at: datetime
    tester: str | None
    operator: str | None
    expanded_uncertainty_deg: float | None
    coverage_factor: float | None
    points: tuple[AnglePointDraft, ...]
    card: Card | None = None
    replaces: str | None = None
    replaces_because: str | None = None
    confirm_unusual: bool = False


def admit_angle_check(
    draft: AngleCheckDraft,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    now: datetime,
    replaced: AngleCheck | None = None,
) -> AngleCheck:
    """The angle check to store, with a new id and its times in UTC.

    tester     the shop's tester with the serial `draft.tester`, None when it has none
    replaced   the shop's angle check with the id `draft.replaces`, None when it has none

    Fields of findings are JSON pointers into the body of POST /v1/wrenches/{serial}/angle-checks.
    Raises Refused with all findings.
    """
    of_time = list(time_findings(draft.performed_at, now, taken="the readings were taken"))
    day = None if of_time else draft.performed_at.astimezone(ZoneInfo(policy.time_zone)).date()
    findings = [
        *_performance_findings(wrench),
        *of_time,
        *direction_findings(draft.direction, wrench),
        *source_findings(draft.tester, draft.card, tester=tester, day=day, now=now),
        *replacement_findings(draft.replaces, draft.replaces_because, wrench, replaced),
        *_point_findings(draft, wrench),
    ]
    if draft.coverage_factor is not None and draft.expanded_uncertainty_deg is None:
        findings.append(
            Finding(
                field="/coverage_factor",
                detail="a coverage factor without the uncertainty that it belongs to",
                remedy="send expanded_uncertainty_deg as well, or leave both out",
            )
        )
    if findings:
        raise Refused(findings)
    return AngleCheck(
        id=str(uuid4()),
        wrench=wrench.serial,
        kind=draft.kind,
        direction=draft.direction,
        performed_at=draft.performed_at.astimezone(UTC),
        tester=draft.tester,
        operator=draft.operator,
        expanded_uncertainty_deg=draft.expanded_uncertainty_deg,
        coverage_factor=draft.coverage_factor,
        points=tuple(map(_admitted, draft.points)),
        card=draft.card,
        replaces=draft.replaces,
        recorded_at=now.astimezone(UTC),
    )


def _admitted(point: AnglePointDraft) -> AnglePoint:
    return AnglePoint(
        target_deg=point.target_deg,
        readings=tuple(
            AngleReading(reference_deg=reference, indicated_deg=indicated)
            for reference, indicated in zip(point.reference_deg, _indicated(point), strict=True)
        ),
    )


def _indicated(point: AnglePointDraft) -> tuple[float, ...]:
    if point.indicated_deg is None:
        return (point.target_deg,) * len(point.reference_deg)
    return point.indicated_deg


def _performance_findings(wrench: Wrench) -> Iterator[Finding]:
    if wrench.angle is None:
        yield Finding(
            field="",
            detail=f"wrench {wrench.serial} states no angle performance, so that there is nothing"
            " to judge an angle against",
            remedy="if it measures angles, give the wrench its `angle` from the maker's data"
            " (PATCH /v1/wrenches/{serial}); if it does not, it has no angle check",
        )


def _point_findings(draft: AngleCheckDraft, wrench: Wrench) -> Iterator[Finding]:
    if not 1 <= len(draft.points) <= MOST_POINTS:
        yield Finding(
            field="/points",
            detail=f"{len(draft.points)} targets; an angle check holds 1 to {MOST_POINTS}",
            remedy="send at least one target; split a larger check",
        )
        return
    highest = wrench.angle.highest_deg if wrench.angle else None
    for index, point in enumerate(draft.points):
        field = f"/points/{index}"
        if highest is not None and point.target_deg > highest:
            yield Finding(
                field=f"{field}/target_deg",
                detail=f"{point.target_deg:g}° is more than the {highest:g}° that wrench"
                f" {wrench.serial} counts in one step",
                remedy="check the wrench inside what it counts",
            )
        if any(point.target_deg == other.target_deg for other in draft.points[:index]):
            yield Finding(
                field=f"{field}/target_deg",
                detail=f"the target {point.target_deg:g}° comes twice",
                remedy="put all readings at one target into one point",
            )
        if not 1 <= len(point.reference_deg) <= MOST_READINGS:
            yield Finding(
                field=f"{field}/reference_deg",
                detail=f"{len(point.reference_deg)} readings; a target takes 1 to {MOST_READINGS}",
                remedy="send at least one reading; split a larger check",
            )
        elif len(_indicated(point)) != len(point.reference_deg):
            yield Finding(
                field=f"{field}/indicated_deg",
                detail=f"{len(_indicated(point))} indicated angles for"
                f" {len(point.reference_deg)} readings",
                remedy="send one for each reading, or leave indicated_deg out when the wrench"
                " showed the target each time",
            )
        elif not draft.confirm_unusual:
            yield from _unusual_findings(field, point)


def _unusual_findings(field: str, point: AnglePointDraft) -> Iterator[Finding]:
    for index, (reference, indicated) in enumerate(
        zip(point.reference_deg, _indicated(point), strict=True)
    ):
        if not 1 / LIKELY_SLIP < reference / indicated < LIKELY_SLIP:
            yield Finding(
                field=f"{field}/reference_deg/{index}",
                detail=f"{reference:g}° is far from {indicated:g}°",
                remedy=f"correct the number; {_CONFIRM}",
            )
