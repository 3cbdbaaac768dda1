"""When a wrench was out of service, by its trail: not only whether it is now.

A person's decisions count from the moment they were written down to the moment they were taken
back. A quarantine counts from the check that found the wrench out, which may have been performed
before it was written down, to the moment it was lifted. What the record holds now has the begin
that the record gives it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from service.records import Event, EventKind, ServiceStatus, Wrench

if TYPE_CHECKING:
    from service.store import ShopStore

TOLD_BY: Final = (
    EventKind.TAKEN_OUT,
    EventKind.RELEASED,
    EventKind.QUARANTINED,
    EventKind.QUARANTINE_LIFTED,
)
_ENDS: Final = (EventKind.RELEASED, EventKind.QUARANTINE_LIFTED)


@dataclass(frozen=True, slots=True)
class Spell:
    """Out of service from `begin` on (None: as far back as the record goes) and before `end`
    (None: still).
    """

    begin: datetime | None
    end: datetime | None = None

    def covers(self, at: datetime) -> bool:
        return (self.begin is None or self.begin <= at) and (self.end is None or at < self.end)


def was_out_of_service(spells: Iterable[Spell], at: datetime) -> bool:
    return any(spell.covers(at) for spell in spells)


def spells_of_wrench(records: "ShopStore", wrench: Wrench) -> tuple[Spell, ...]:
    """The spells of one wrench, from its record and its trail."""
    events = records.events.of_kinds(wrench.serial, TOLD_BY)
    checks = sorted({event.check for event in events if event.check is not None})
    return spells(
        wrench,
        events,
        {check.id: check.performed_at for check in records.checks.find_many(checks)},
    )


def spells(
    wrench: Wrench, events: Iterable[Event], performed: Mapping[str, datetime]
) -> tuple[Spell, ...]:
    """The spells that have ended, by the trail, and those that last, by the record.

    events     of the kinds TOLD_BY, in the order in which they were written
    performed  when the checks that they name were performed
    """
    begun: dict[object, datetime] = {}
    ended = []
    for event in events:
        # A person's decision has no direction; the quarantine of each direction is its own.
        if event.kind not in _ENDS:
            at = event.recorded_at
            found = at if event.check is None else performed.get(event.check, at)
            begun[event.direction] = min(found, at)
        elif event.direction in begun:
            ended.append(Spell(begun.pop(event.direction), event.recorded_at))
    lasting = [Spell(each.since) for each in wrench.quarantine]
    if wrench.decision.status is ServiceStatus.OUT_OF_SERVICE:
        lasting.append(Spell(wrench.decision.since))
    return (*ended, *lasting)
