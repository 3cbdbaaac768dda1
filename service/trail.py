"""The lines of a wrench's trail: what is written when something is done to it, and how it reads."""

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from service.angle_records import AngleCheck
from service.records import (
    AnglePerformance,
    Change,
    Check,
    Event,
    EventKind,
    MaximumPermissibleDeviation,
    Quarantine,
    ServiceStatus,
    ToleranceBasis,
    Wrench,
)
from service.torque import Torque

# Fields of a wrench that a person may change, in the order in which they are told.
_TOLD: Final = (
    "mechanism", "indication", "model", "lowest", "full_scale", "mpd_clockwise",
    "mpd_counter_clockwise", "resolution", "drive", "angle",
)  # fmt: skip


def registered(wrench: Wrench, person: str | None) -> Iterator[Event]:
    """The registration, and the decision with which a wrench may come out of a file."""
    yield Event(
        wrench=wrench.serial,
        kind=EventKind.REGISTERED,
        recorded_at=wrench.registered_at,
        person=person,
    )
    if wrench.decision.status is ServiceStatus.OUT_OF_SERVICE:
        yield Event(
            wrench=wrench.serial,
            kind=EventKind.TAKEN_OUT,
            recorded_at=wrench.registered_at,
            person=person,
            why=wrench.decision.reason,
        )


def changed(before: Wrench, after: Wrench, person: str | None, now: datetime) -> Iterator[Event]:
    """What a person changed, field by field, and what they decided."""
    changes = [
        Change(
            field=name,
            before=_as_text(getattr(before, name)),
            after=_as_text(getattr(after, name)),
        )
        for name in _TOLD
        if getattr(before, name) != getattr(after, name)
    ]
    old, new = before.decision, after.decision
    if old.status is new.status and old.reason != new.reason:
        changes.append(Change(field="service.reason", before=old.reason, after=new.reason))
    if changes:
        yield Event(
            wrench=after.serial,
            kind=EventKind.CHANGED,
            recorded_at=now,
            person=person,
            changes=tuple(changes),
        )
    if old.status is not new.status:
        out = new.status is ServiceStatus.OUT_OF_SERVICE
        yield Event(
            wrench=after.serial,
            kind=EventKind.TAKEN_OUT if out else EventKind.RELEASED,
            recorded_at=now,
            person=person,
            why=new.reason,
        )


def quarantine_changed(
    before: Wrench, after: Wrench, because: str, person: str | None, now: datetime
) -> Iterator[Event]:
    """The directions in which a wrench went into quarantine, or came out of it."""
    was = {each.direction: each for each in before.quarantine}
    now_in = {each.direction: each for each in after.quarantine}

    def event(kind: EventKind, about: Quarantine, why: str) -> Event:
        return Event(
            wrench=after.serial,
            kind=kind,
            recorded_at=now,
            person=person,
            why=why,
            check=about.check,
            direction=about.direction,
        )

    for direction, about in now_in.items():
        if direction not in was:
            yield event(EventKind.QUARANTINED, about, f"{about.finding} ({because})")
    for direction, about in was.items():
        if direction not in now_in:
            yield event(EventKind.QUARANTINE_LIFTED, about, because)


def check_recorded(check: Check, person: str | None) -> Event:
    """A check, or the card that came with the wrench."""
    return Event(
        wrench=check.wrench,
        kind=EventKind.CHECK_RECORDED,
        recorded_at=check.recorded_at,
        person=person or check.operator,
        why=_occasion(check),
        check=check.id,
        direction=check.direction,
    )


def check_voided(check: Check, person: str | None, replaced_by: str | None = None) -> Event:
    """The void of a check, which carries its time and its reason.

    replaced_by   id of the check that takes its place in the same moment
    """
    assert check.void is not None  # noqa: S101 - the caller's part of the bargain
    return Event(
        wrench=check.wrench,
        kind=EventKind.CHECK_VOIDED,
        recorded_at=check.void.at,
        person=person,
        why=_corrected(check.void.reason, replaced_by),
        check=check.id,
        direction=check.direction,
    )


def angle_check_recorded(check: AngleCheck, person: str | None) -> Event:
    """A check of angles; its id is in the words, since `check` names a check of torques."""
    return Event(
        wrench=check.wrench,
        kind=EventKind.ANGLE_CHECK_RECORDED,
        recorded_at=check.recorded_at,
        person=person or check.operator,
        why=f"{check.id}, {_occasion(check)}",
        direction=check.direction,
    )


def angle_check_voided(
    check: AngleCheck, person: str | None, replaced_by: str | None = None
) -> Event:
    """The void of an angle check; as `check_voided`."""
    assert check.void is not None  # noqa: S101 - the caller's part of the bargain
    return Event(
        wrench=check.wrench,
        kind=EventKind.ANGLE_CHECK_VOIDED,
        recorded_at=check.void.at,
        person=person,
        why=f"{check.id}, {_corrected(check.void.reason, replaced_by)}",
        direction=check.direction,
    )


def _occasion(check: Check | AngleCheck) -> str:
    by = f"card {check.card.certificate}" if check.card else f"tester {check.tester}"
    kind = check.kind.value.replace("_", " ")
    place = f", in place of check {check.replaces}" if check.replaces else ""
    return f"{kind}, {by}, performed {_instant(check.performed_at)}{place}"


def _corrected(reason: str, replaced_by: str | None) -> str:
    return f"{reason} (check {replaced_by} takes its place)" if replaced_by else reason


_SENTENCES: Final = {
    EventKind.REGISTERED: "{wrench} was registered",
    EventKind.CHANGED: "the record of {wrench} was changed",
    EventKind.TAKEN_OUT: "{wrench} was taken out of service",
    EventKind.RELEASED: "{wrench} was released",
    EventKind.QUARANTINED: "{wrench} went into quarantine {way}",
    EventKind.QUARANTINE_LIFTED: "the quarantine of {wrench} {way} was lifted",
    EventKind.CHECK_RECORDED: "a check of {wrench} {way} was recorded",
    EventKind.CHECK_VOIDED: "a check of {wrench} {way} was voided",
    EventKind.ANGLE_CHECK_RECORDED: "an angle check of {wrench} {way} was recorded",
    EventKind.ANGLE_CHECK_VOIDED: "an angle check of {wrench} {way} was voided",
}


def in_words(event: Event) -> str:
    """The event in one sentence."""
    by = f", {event.person}" if event.person else ""
    return f"{_instant(event.recorded_at)}{by}: {happened(event)}."


def happened(event: Event) -> str:
    """What happened and why, without when and by whom."""
    way = event.direction.value.replace("_", "-") if event.direction else ""
    what = _SENTENCES[event.kind].format(wrench=event.wrench, way=way)
    changes = ", ".join(
        f"{change.field} from {change.before or 'nothing'} to {change.after or 'nothing'}"
        for change in event.changes
    )
    why = "".join(f": {part}" for part in (changes, event.why) if part)
    return f"{what}{why}"


def _instant(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"


def _as_text(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, MaximumPermissibleDeviation):
        of = "full scale" if value.basis is ToleranceBasis.FULL_SCALE else "reading"
        return f"±{value.percent:.10g} % of {of}"
    if isinstance(value, Torque):
        return f"{value.value:.10g} {value.unit}"
    if isinstance(value, AnglePerformance):
        stated = (
            (value.mpd_deg, "±{:.10g}°"),
            (value.mpd_pct, "±{:.10g} % of the target"),
            (value.resolution_deg, "resolution {:.10g}°"),
            (value.highest_deg, "up to {:.10g}°"),
        )
        return ", ".join(words.format(number) for number, words in stated if number is not None)
    return str(value)
