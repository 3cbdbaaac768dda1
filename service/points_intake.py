"""The rules for the torques of a check: its targets and readings, and slips of the unit."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

from service.findings import Finding
from service.records import Point, Reading, Tester, Wrench
from service.torque import UNITS, Torque, newton_metres_per

MOST_POINTS: Final = 50
MOST_READINGS: Final = 100  # at one point
# Marks of scales in two units are rounded: 150 ft.lbf stands beside 203.4 N.m, which is more by
# 0.013 %. Common practice, no source.
ROUNDED_MARK: Final = 0.005
# A reading may lie outside the tester's range by this when its target lies inside.
# Common practice, no source.
BEYOND_TESTER: Final = 0.05
# A reading that comes this near its target when read in another unit was likely taken in it.
# Common practice, no source; ISO 6789-1 allows hand tools up to 6 %.
UNIT_SLIP: Final = 0.06
# Above this factor a reading is likely mistyped. Common practice, no source.
LIKELY_SLIP: Final = 2.0

_CONFIRM: Final = "if it is right as it stands, send it again with confirm_unusual true"


@dataclass(frozen=True, slots=True, kw_only=True)
class PointDraft:
    """Readings at one target; `indicated` is the target at each reading when it is None."""

    target: Torque
    readings: tuple[Torque, ...]
    indicated: tuple[Torque, ...] | None = None


def admitted_points(drafts: Sequence[PointDraft]) -> tuple[Point, ...]:
    """The points to store, of drafts without findings."""
    return tuple(
        Point(
            target=draft.target,
            readings=tuple(
                Reading(reference=reference, indicated=indicated)
                for reference, indicated in zip(draft.readings, _indicated(draft), strict=True)
            ),
        )
        for draft in drafts
    )


def same_points(drafts: Sequence[PointDraft], points: Sequence[Point]) -> bool:
    """Whether the drafts say what is stored, number for number and unit for unit."""
    if any(len(_indicated(draft)) != len(draft.readings) for draft in drafts):
        return False
    return admitted_points(drafts) == tuple(points)


def point_findings(
    drafts: Sequence[PointDraft],
    *,
    wrench: Wrench,
    tester: Tester | None,
    confirm_unusual: bool,
) -> Iterator[Finding]:
    """What is wrong with the points; fields begin with /points."""
    if not drafts:
        yield Finding(
            field="/points",
            detail="the check has no readings",
            remedy="send at least one target with at least one reading",
        )
    if len(drafts) > MOST_POINTS:
        yield Finding(
            field="/points",
            detail=f"{len(drafts)} targets; a check holds at most {MOST_POINTS}",
            remedy="split the check",
        )
        return
    for index, draft in enumerate(drafts):
        field = f"/points/{index}"
        yield from _count_findings(field, draft)
        values = list(_value_findings(field, draft))
        yield from values
        yield from _target_findings(field, draft.target, wrench, tester)
        if any(_same(draft.target, other.target) for other in drafts[:index]):
            yield Finding(
                field=f"{field}/target",
                detail=f"the target {draft.target} comes twice",
                remedy="put all readings at one target into one point",
            )
        if values or len(_indicated(draft)) != len(draft.readings):
            continue
        if tester is not None:
            yield from _tester_findings(field, draft, tester)
        if not confirm_unusual:
            yield from _unusual_findings(field, draft)


def _indicated(draft: PointDraft) -> tuple[Torque, ...]:
    return (draft.target,) * len(draft.readings) if draft.indicated is None else draft.indicated


def _same(one: Torque, other: Torque) -> bool:
    return abs(one.nm - other.nm) <= 1e-9 * abs(one.nm)


def _count_findings(field: str, draft: PointDraft) -> Iterator[Finding]:
    if not draft.readings:
        yield Finding(
            field=f"{field}/readings/values",
            detail=f"there is no reading at {draft.target}",
            remedy="send at least one reading, or leave the target out",
        )
    if len(draft.readings) > MOST_READINGS:
        yield Finding(
            field=f"{field}/readings/values",
            detail=f"{len(draft.readings)} readings; a target takes at most {MOST_READINGS}",
            remedy="split the check",
        )
    if draft.indicated is not None and len(draft.indicated) != len(draft.readings):
        yield Finding(
            field=f"{field}/indicated/values",
            detail=f"{len(draft.indicated)} indicated values for {len(draft.readings)} readings",
            remedy="send one for each reading, or leave indicated out when the wrench was set to "
            "the target each time",
        )


def _value_findings(field: str, draft: PointDraft) -> Iterator[Finding]:
    torques = [(f"{field}/target/value", draft.target)]
    torques += [(f"{field}/readings/values/{i}", t) for i, t in enumerate(draft.readings)]
    torques += [(f"{field}/indicated/values/{i}", t) for i, t in enumerate(draft.indicated or ())]
    for place, torque in torques:
        if not isfinite(torque.nm) or torque.nm <= 0:
            yield Finding(
                field=place,
                detail=f"{torque.value!r} is no torque",
                remedy="send a number above zero, whichever the direction",
            )


def _target_findings(
    field: str, target: Torque, wrench: Wrench, tester: Tester | None
) -> Iterator[Finding]:
    if not isfinite(target.nm) or target.nm <= 0:
        return
    if not _within(target, wrench.lowest, wrench.full_scale, ROUNDED_MARK):
        yield Finding(
            field=f"{field}/target",
            detail=f"{target} is outside the marked range of wrench {wrench.serial}, "
            f"{wrench.lowest} to {wrench.full_scale}",
            remedy="check the wrench inside its marked range; look at the unit",
        )
    if tester is not None and not covers(tester, target):
        yield Finding(
            field=f"{field}/target",
            detail=f"{target} is outside the range of tester {tester.serial}, "
            f"{tester.lowest} to {tester.full_scale}",
            remedy="take a tester whose certificate covers the target",
        )


def _tester_findings(field: str, draft: PointDraft, tester: Tester) -> Iterator[Finding]:
    if not covers(tester, draft.target):
        return  # said already, of the target
    for index, reading in enumerate(draft.readings):
        if not _within(reading, tester.lowest, tester.full_scale, BEYOND_TESTER):
            yield Finding(
                field=f"{field}/readings/values/{index}",
                detail=f"{reading} is outside the range of tester {tester.serial}, "
                f"{tester.lowest} to {tester.full_scale}",
                remedy="take a tester whose certificate covers the reading; look at the unit",
            )


def covers(tester: Tester, target: Torque) -> bool:
    """Whether the tester's certificate speaks for a target."""
    return _within(target, tester.lowest, tester.full_scale, ROUNDED_MARK)


def _within(torque: Torque, lowest: Torque, highest: Torque, slack: float) -> bool:
    return lowest.nm * (1 - slack) <= torque.nm <= highest.nm * (1 + slack)


def _unusual_findings(field: str, draft: PointDraft) -> Iterator[Finding]:
    """Readings that look like a slip; the sender may stand by them."""
    for index, (reading, indicated) in enumerate(
        zip(draft.readings, _indicated(draft), strict=True)
    ):
        place = f"{field}/readings/values/{index}"
        unit = _unit_that_fits(reading, indicated)
        if unit is not None:
            yield Finding(
                field=place,
                detail=f"{reading} against {indicated}: wrong unit? "
                f"{reading.value:g} {unit} would fit",
                remedy=f"correct the unit; {_CONFIRM}",
            )
            continue
        unit = _unit_that_fits(indicated, reading)
        if unit is not None:
            yield Finding(
                field=place,
                detail=f"{reading} against {indicated}: wrong unit? "
                f"{indicated.value:g} {unit} would fit",
                remedy=f"correct the unit; {_CONFIRM}",
            )
        elif not 1 / LIKELY_SLIP < reading.nm / indicated.nm < LIKELY_SLIP:
            yield Finding(
                field=place,
                detail=f"{reading} is far from {indicated}",
                remedy=f"correct the number or the unit; {_CONFIRM}",
            )


@dataclass(frozen=True, slots=True)
class UnusualReadings:
    """Readings at a target that the shop is asked about, told before they are taken.

    unit              of the numbers here, that of the target
    slips             another unit that was likely meant, and the readings from where to where
    lowest, highest   readings beyond these are likely mistyped
    """

    unit: str
    slips: tuple[tuple[str, float, float], ...]
    lowest: float
    highest: float


def unusual_readings(target: Torque) -> UnusualReadings:
    """What `point_findings` asks about where the wrench says exactly the target."""
    own = newton_metres_per(target.unit)
    slips = []
    for unit in UNITS:
        if unit != target.unit:
            ratio = newton_metres_per(unit) / own
            # The tester showed the other unit; or the wrench was set by the other unit's scale.
            shown, meant = target.value / ratio, target.value * ratio
            slips.append((unit, shown * (1 - UNIT_SLIP), shown * (1 + UNIT_SLIP)))
            slips.append((unit, meant / (1 + UNIT_SLIP), meant / (1 - UNIT_SLIP)))
    return UnusualReadings(
        target.unit, tuple(slips), target.value / LIKELY_SLIP, target.value * LIKELY_SLIP
    )


def _unit_that_fits(torque: Torque, expected: Torque) -> str | None:
    """Another unit in which the number agrees with what is expected; None when its own does."""
    if abs(torque.nm / expected.nm - 1) <= UNIT_SLIP:
        return None
    for unit in UNITS:
        nm = torque.value * newton_metres_per(unit)
        if unit != torque.unit and abs(nm / expected.nm - 1) <= UNIT_SLIP:
            return unit
    return None
