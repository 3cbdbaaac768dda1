"""What is done to a wrench, stored with its consequences in one transaction.

Every road, the API as well as files, comes through here: quarantine follows the checks, and the
trail tells what was done, by whom, why, and what came of it.

A wrench that a check has found out of tolerance is out of service from that moment, and comes back
by itself with the first check as left that passes in that direction (or when the failed check turns
out wrong and is voided, or the tolerance it was judged by). The state is a function of the checks
that count, in the order in which they were performed, and of the tolerance; a history that is
imported late, or in any order, ends where it would have ended. Checks that come in their order move
the state on from where it stood; for others it is worked out from the beginning. A person can hold
a wrench back beside that, but not put it in service against its own checks.
"""

import dataclasses
from collections.abc import Collection, Container, Iterable, Iterator, Mapping
from datetime import datetime
from types import MappingProxyType

from analysis.vocabulary import Direction
from service import trail
from service.angle_records import AngleCheck
from service.frames import day_of
from service.records import Check, Quarantine, ToleranceBasis, Wrench
from service.store import ShopStore
from service.store.check_rows import ToJudge

# By direction: the check that found a wrench out.
FoundOut = Mapping[Direction, str]


class InQuarantine(Exception):  # noqa: N818 - an answer about a wrench
    """The wrench's own checks forbid that a person puts it in service."""

    def __init__(self, wrench: Wrench) -> None:
        super().__init__(f"wrench {wrench.serial} stays out of service: {wrench.status_reason}")
        self.wrench = wrench


def register_wrench(records: ShopStore, wrench: Wrench, *, person: str | None) -> Wrench:
    """The wrench as stored; raises DuplicateRecord."""
    added = records.wrenches.add(wrench)
    records.events.add(*trail.registered(added, person))
    return added


def change_wrench(
    records: ShopStore,
    changed: Wrench,
    expected_version: int,
    *,
    releases: bool,
    person: str | None,
    now: datetime,
) -> Wrench:
    """The wrench as stored, its quarantine judged by what it now states.

    releases   a person puts it in service with this change

    Raises InQuarantine, UnknownRecord, and StaleVersion.
    """
    before = records.wrenches.get(changed.serial)
    if releases and before.quarantine and before.version == expected_version:
        raise InQuarantine(before)
    stored = records.wrenches.update(changed, expected_version)
    records.events.add(*trail.changed(before, stored, person, now))
    settle_quarantine(
        records, {stored.serial}, because="its record was changed", person=person, now=now
    )
    return records.wrenches.get(stored.serial)


def record_checks(
    records: ShopStore,
    checks: Collection[Check],
    *,
    person: str | None,
    now: datetime,
    corrections: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Store the checks and what follows from them; raises as `Checks.add_many` and `void_check` do.

    person        who sends them; None: the operator named by each check
    corrections   by id of a check that one of these replaces: why it is voided
    """
    corrected = set()
    for check in checks:
        because = corrections.get(check.replaces or "")
        if check.replaces is not None and because is not None:
            corrected.add(check.wrench)
            # First, since both may be of the same moment, and only one of them counts.
            voided = records.checks.void(check.replaces, because, now)
            records.events.add(trail.check_voided(voided, person or check.operator, check.id))
    serials = {check.wrench for check in checks}
    latest = records.checks.latest(serials)
    records.checks.add_many(checks)
    records.events.add(*(trail.check_recorded(check, person) for check in checks))
    because = "checks were imported"
    if len(checks) == 1:
        (check,) = checks
        because = f"check {check.id} was recorded"
        person = person or check.operator
    settle_quarantine(
        records,
        serials,
        because=because,
        person=person,
        now=now,
        moved_on=dict(_moved_on(records, checks, latest, corrected)),
    )


def void_check(
    records: ShopStore, check_id: str, reason: str, *, person: str | None, now: datetime
) -> Check:
    """The check, voided, and what follows; raises UnknownRecord or AlreadyVoided."""
    voided = records.checks.void(check_id, reason, now)
    records.events.add(trail.check_voided(voided, person))
    because = f"check {check_id} was voided: {reason}"
    settle_quarantine(records, {voided.wrench}, because=because, person=person, now=now)
    return voided


def record_angle_check(
    records: ShopStore, check: AngleCheck, *, person: str | None, because: str | None = None
) -> AngleCheck:
    """The angle check as stored; raises DuplicateRecord, and as `void_angle_check` does.

    because   why the one that it replaces is voided; None: it is voided already, or there is none

    One that fails forbids the angle step, not the wrench: it may be used for torque alone.
    """
    if check.replaces is not None and because is not None:
        voided = records.angle_checks.void(check.replaces, because, check.recorded_at)
        records.events.add(trail.angle_check_voided(voided, person or check.operator, check.id))
    added = records.angle_checks.add(check)
    records.events.add(trail.angle_check_recorded(added, person))
    return added


def void_angle_check(
    records: ShopStore, check_id: str, reason: str, *, person: str | None, now: datetime
) -> AngleCheck:
    """The angle check, voided; raises UnknownRecord or AlreadyVoided."""
    voided = records.angle_checks.void(check_id, reason, now)
    records.events.add(trail.angle_check_voided(voided, person))
    return voided


def settle_quarantine(
    records: ShopStore,
    serials: Collection[str],
    *,
    because: str,
    person: str | None,
    now: datetime,
    moved_on: Mapping[str, FoundOut] = MappingProxyType({}),
) -> None:
    """Bring the quarantine of these wrenches in step with their checks, and write what changed.

    because   what was done just now, for the trail
    moved_on  by serial: what is known already
    """
    anew = records.checks.readings_of(sorted(set(serials) - moved_on.keys()))
    for serial in sorted(serials):
        wrench = records.wrenches.get(serial)
        found_out = moved_on.get(serial)
        if found_out is None:
            found_out = _found_out(wrench, anew.get(serial, {}), {})
        quarantine = tuple(_quarantine(records, wrench, found_out))
        if quarantine == wrench.quarantine:
            continue
        settled = records.wrenches.update(
            dataclasses.replace(wrench, quarantine=quarantine), wrench.version
        )
        records.events.add(*trail.quarantine_changed(wrench, settled, because, person, now))


def _moved_on(
    records: ShopStore,
    checks: Iterable[Check],
    latest: Mapping[tuple[str, Direction], datetime],
    corrected: Container[str],
) -> Iterator[tuple[str, FoundOut]]:
    """By serial: where these checks take those of their wrenches whose checks were all earlier.

    latest     when the latest check of each wrench and direction before these was performed
    corrected  wrenches of which one of these checks takes another's place
    """
    of_wrench: dict[str, list[Check]] = {}
    for check in checks:
        of_wrench.setdefault(check.wrench, []).append(check)
    for serial, own in of_wrench.items():
        late = any(
            (serial, check.direction) in latest
            and check.performed_at <= latest[serial, check.direction]
            for check in own
        )
        if not late and serial not in corrected:
            wrench = records.wrenches.get(serial)
            before = {each.direction: each.check for each in wrench.quarantine}
            yield serial, _found_out(wrench, _readings_to_judge(own), before)


def _readings_to_judge(checks: Iterable[Check]) -> dict[Direction, list[ToJudge]]:
    readings: dict[Direction, list[ToJudge]] = {}
    for check in checks:
        if check.void is None:
            day = day_of(check.performed_at)
            readings.setdefault(check.direction, []).extend(
                (check.id, check.kind.value, day, reading.indicated.nm, reading.reference.nm)
                for point in check.points
                for reading in point.readings
            )
    return readings


def _found_out(
    wrench: Wrench, readings: Mapping[Direction, Iterable[ToJudge]], before: FoundOut
) -> FoundOut:
    """What these readings say where earlier ones had said `before`."""
    from analysis.standing import found_out_by_readings

    found = dict(before)
    for way, own in readings.items():
        mpd = wrench.mpd(way)
        by = found_out_by_readings(
            own,
            mpd.percent if mpd else None,
            mpd is not None and mpd.basis is ToleranceBasis.FULL_SCALE,
            wrench.full_scale.nm,
            by=found.pop(way, None),
        )
        if by is not None:
            found[way] = by
    return found


def _quarantine(records: ShopStore, wrench: Wrench, found_out_by: FoundOut) -> Iterable[Quarantine]:
    kept = {each.check: each for each in wrench.quarantine}
    for direction, check_id in sorted(found_out_by.items()):
        yield kept.get(check_id) or Quarantine(
            direction=direction, check=check_id, since=records.checks.get(check_id).performed_at
        )
