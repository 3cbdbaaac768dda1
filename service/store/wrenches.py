"""The wrenches of one shop."""

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import RowMapping, bindparam, delete, exists, insert, or_, select, update

from analysis.vocabulary import Direction, Mechanism
from service.records import (
    AnglePerformance,
    Indication,
    Quarantine,
    ServiceDecision,
    ServiceStatus,
    Wrench,
)
from service.store import ledger_content as content
from service.store.errors import DuplicateRecord, StaleVersion, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.mpd_columns import mpd_of
from service.store.scope import Scope
from service.store.tables import QuarantineRow, WrenchRow
from service.torque import Torque

_FIND: Final = select(WrenchRow.__table__).where(
    WrenchRow.shop_id == bindparam("shop_id"), WrenchRow.serial == bindparam("serial")
)
_QUARANTINES: Final = (
    select(
        QuarantineRow.wrench,
        QuarantineRow.direction,
        QuarantineRow.check_id,
        QuarantineRow.since,
    )
    .where(
        QuarantineRow.shop_id == bindparam("shop_id"),
        QuarantineRow.wrench.in_(bindparam("serials", expanding=True)),
    )
    .order_by(QuarantineRow.wrench, QuarantineRow.direction)
)


class Wrenches:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, wrench: Wrench) -> Wrench:
        """The wrench as stored; raises DuplicateRecord for a serial that is there already."""
        if self.find(wrench.serial) is not None:
            raise DuplicateRecord("wrench", wrench.serial, wrench.serial)
        self._scope.connection.execute(
            insert(WrenchRow).values(shop_id=self._scope.shop_id, **_columns(wrench))
        )
        self._chain(dataclasses.replace(wrench, quarantine=()))  # a new wrench has no checks
        self._scope.evidence_changes()
        return wrench

    def find(self, serial: str) -> Wrench | None:
        known: Wrench | None = self._scope.found.get(("wrench", serial))
        if known is None:
            found = self._records(
                self._scope.connection.execute(
                    _FIND, {"shop_id": self._scope.shop_id, "serial": serial}
                )
                .mappings()
                .all()
            )
            if not found:
                return None
            known = self._scope.found["wrench", serial] = found[0]
        return known

    def get(self, serial: str) -> Wrench:
        """Raises UnknownRecord."""
        wrench = self.find(serial)
        if wrench is None:
            raise UnknownRecord("wrench", serial)
        return wrench

    def list(
        self, after: str | None = None, limit: int = 100, status: ServiceStatus | None = None
    ) -> tuple[Wrench, ...]:
        """At most `limit` wrenches by serial, those after the serial `after`."""
        query = (
            select(WrenchRow.__table__)
            .where(WrenchRow.shop_id == self._scope.shop_id)
            .order_by(WrenchRow.serial)
            .limit(limit)
        )
        if after is not None:
            query = query.where(WrenchRow.serial > after)
        if status is not None:
            out = or_(
                WrenchRow.status == ServiceStatus.OUT_OF_SERVICE.value,
                exists().where(
                    QuarantineRow.shop_id == WrenchRow.shop_id,
                    QuarantineRow.wrench == WrenchRow.serial,
                ),
            )
            query = query.where(out if status is ServiceStatus.OUT_OF_SERVICE else ~out)
        return self._records(self._scope.connection.execute(query).mappings().all())

    def update(self, wrench: Wrench, expected_version: int) -> Wrench:
        """The wrench with its next version; its serial and registration stay as they were.

        Raises UnknownRecord, and StaleVersion when it is not at `expected_version` any more.
        """
        current = self.get(wrench.serial)
        if current.version != expected_version:
            raise StaleVersion("wrench", wrench.serial, current.version)
        changed = dataclasses.replace(
            wrench, registered_at=current.registered_at, version=expected_version + 1
        )
        self._scope.connection.execute(
            update(WrenchRow)
            .where(WrenchRow.shop_id == self._scope.shop_id, WrenchRow.serial == wrench.serial)
            .values(**_columns(changed))
        )
        self._scope.found.pop(("wrench", wrench.serial), None)
        if changed.quarantine != current.quarantine:
            self._keep_quarantine(changed)
        self._chain(changed)
        self._scope.evidence_changes()
        return changed

    def _chain(self, wrench: Wrench) -> None:
        quarantine = sorted(
            (each.direction.value, each.check, each.since) for each in wrench.quarantine
        )
        Ledger(self._scope).append(
            EntryKind.WRENCH, [(wrench.serial, content.wrench(_columns(wrench), quarantine))]
        )

    def _keep_quarantine(self, wrench: Wrench) -> None:
        connection, shop_id = self._scope.connection, self._scope.shop_id
        connection.execute(
            delete(QuarantineRow).where(
                QuarantineRow.shop_id == shop_id, QuarantineRow.wrench == wrench.serial
            )
        )
        if wrench.quarantine:
            connection.execute(
                insert(QuarantineRow),
                [
                    {
                        "shop_id": shop_id,
                        "wrench": wrench.serial,
                        "direction": each.direction.value,
                        "check_id": each.check,
                        "since": each.since,
                    }
                    for each in wrench.quarantine
                ],
            )

    def _records(self, rows: Sequence[RowMapping]) -> tuple[Wrench, ...]:
        kept = self._quarantines(row["serial"] for row in rows)
        return tuple(_record(row, kept.get(row["serial"], ())) for row in rows)

    def _quarantines(self, serials: Iterable[str]) -> dict[str, tuple[Quarantine, ...]]:
        kept: dict[str, tuple[Quarantine, ...]] = {}
        for row in self._scope.connection.execute(
            _QUARANTINES, {"shop_id": self._scope.shop_id, "serials": list(serials)}
        ):
            each = Quarantine(
                direction=Direction(row.direction), check=row.check_id, since=row.since
            )
            kept[row.wrench] = (*kept.get(row.wrench, ()), each)
        return kept


def _columns(wrench: Wrench) -> dict[str, Any]:
    cw, ccw, resolution = wrench.mpd_clockwise, wrench.mpd_counter_clockwise, wrench.resolution
    angle = wrench.angle
    return {
        "serial": wrench.serial,
        "mechanism": wrench.mechanism.value,
        "indication": wrench.indication.value,
        "model": wrench.model,
        "lowest_value": wrench.lowest.value,
        "lowest_unit": wrench.lowest.unit,
        "lowest_nm": wrench.lowest.nm,
        "full_scale_value": wrench.full_scale.value,
        "full_scale_unit": wrench.full_scale.unit,
        "full_scale_nm": wrench.full_scale.nm,
        "mpd_clockwise_pct": cw.percent if cw else None,
        "mpd_clockwise_basis": cw.basis.value if cw else None,
        "mpd_counter_clockwise_pct": ccw.percent if ccw else None,
        "mpd_counter_clockwise_basis": ccw.basis.value if ccw else None,
        "resolution_value": resolution.value if resolution else None,
        "resolution_unit": resolution.unit if resolution else None,
        "resolution_nm": resolution.nm if resolution else None,
        "drive": wrench.drive,
        "angle_mpd_deg": angle.mpd_deg if angle else None,
        "angle_mpd_pct": angle.mpd_pct if angle else None,
        "angle_resolution_deg": angle.resolution_deg if angle else None,
        "angle_highest_deg": angle.highest_deg if angle else None,
        "status": wrench.decision.status.value,
        "status_reason": wrench.decision.reason,
        "status_since": wrench.decision.since,
        "registered_at": wrench.registered_at,
        "version": wrench.version,
    }


def _record(row: RowMapping, quarantine: tuple[Quarantine, ...]) -> Wrench:
    return Wrench(
        serial=row["serial"],
        mechanism=Mechanism(row["mechanism"]),
        indication=Indication(row["indication"]),
        model=row["model"],
        lowest=Torque(row["lowest_value"], row["lowest_unit"], row["lowest_nm"]),
        full_scale=Torque(row["full_scale_value"], row["full_scale_unit"], row["full_scale_nm"]),
        mpd_clockwise=mpd_of(row["mpd_clockwise_pct"], row["mpd_clockwise_basis"]),
        mpd_counter_clockwise=mpd_of(
            row["mpd_counter_clockwise_pct"], row["mpd_counter_clockwise_basis"]
        ),
        resolution=(
            None
            if row["resolution_value"] is None
            else Torque(row["resolution_value"], row["resolution_unit"], row["resolution_nm"])
        ),
        drive=row["drive"],
        angle=_angle(row),
        decision=ServiceDecision(
            status=ServiceStatus(row["status"]),
            reason=row["status_reason"],
            since=row["status_since"],
        ),
        quarantine=quarantine,
        registered_at=row["registered_at"],
        version=row["version"],
    )


def _angle(row: RowMapping) -> AnglePerformance | None:
    """A wrench that measures angles states a limit for them: without one it measures none."""
    if row["angle_mpd_deg"] is None and row["angle_mpd_pct"] is None:
        return None
    return AnglePerformance(
        mpd_deg=row["angle_mpd_deg"],
        mpd_pct=row["angle_mpd_pct"],
        resolution_deg=row["angle_resolution_deg"],
        highest_deg=row["angle_highest_deg"],
    )
