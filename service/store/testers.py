"""The testers of one shop: its reference devices."""

import dataclasses
from typing import Any, Final

from sqlalchemy import RowMapping, bindparam, insert, select, update

from service.records import Tester
from service.store import ledger_content as content
from service.store.errors import DuplicateRecord, StaleVersion, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import TesterRow
from service.torque import Torque

_FIND: Final = select(TesterRow.__table__).where(
    TesterRow.shop_id == bindparam("shop_id"), TesterRow.serial == bindparam("serial")
)


class Testers:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, tester: Tester) -> Tester:
        """The tester as stored; raises DuplicateRecord for a serial that is there already."""
        if self.find(tester.serial) is not None:
            raise DuplicateRecord("tester", tester.serial, tester.serial)
        self._scope.connection.execute(
            insert(TesterRow).values(shop_id=self._scope.shop_id, **_columns(tester))
        )
        self._chain(tester)
        return tester

    def find(self, serial: str) -> Tester | None:
        found: Tester | None = self._scope.found.get(("tester", serial))
        if found is None:
            row = (
                self._scope.connection.execute(
                    _FIND, {"shop_id": self._scope.shop_id, "serial": serial}
                )
                .mappings()
                .one_or_none()
            )
            if row is None:
                return None
            found = self._scope.found["tester", serial] = _record(row)
        return found

    def get(self, serial: str) -> Tester:
        """Raises UnknownRecord."""
        tester = self.find(serial)
        if tester is None:
            raise UnknownRecord("tester", serial)
        return tester

    def list(self, after: str | None = None, limit: int = 100) -> tuple[Tester, ...]:
        """At most `limit` testers by serial, those after the serial `after`."""
        query = (
            select(TesterRow.__table__)
            .where(TesterRow.shop_id == self._scope.shop_id)
            .order_by(TesterRow.serial)
            .limit(limit)
        )
        if after is not None:
            query = query.where(TesterRow.serial > after)
        return tuple(_record(row) for row in self._scope.connection.execute(query).mappings())

    def update(self, tester: Tester, expected_version: int) -> Tester:
        """The tester with its next version; its serial and registration stay as they were.

        Raises UnknownRecord, and StaleVersion when it is not at `expected_version` any more.
        """
        current = self.get(tester.serial)
        if current.version != expected_version:
            raise StaleVersion("tester", tester.serial, current.version)
        changed = dataclasses.replace(
            tester, registered_at=current.registered_at, version=expected_version + 1
        )
        self._scope.connection.execute(
            update(TesterRow)
            .where(TesterRow.shop_id == self._scope.shop_id, TesterRow.serial == tester.serial)
            .values(**_columns(changed))
        )
        self._scope.found.pop(("tester", tester.serial), None)
        self._chain(changed)
        self._scope.evidence_changes()
        return changed

    def _chain(self, tester: Tester) -> None:
        Ledger(self._scope).append(
            EntryKind.TESTER, [(tester.serial, content.tester(_columns(tester)))]
        )


def _columns(tester: Tester) -> dict[str, Any]:
    return {
        "serial": tester.serial,
        "model": tester.model,
        "lowest_value": tester.lowest.value,
        "lowest_unit": tester.lowest.unit,
        "lowest_nm": tester.lowest.nm,
        "full_scale_value": tester.full_scale.value,
        "full_scale_unit": tester.full_scale.unit,
        "full_scale_nm": tester.full_scale.nm,
        "expanded_uncertainty_pct": tester.expanded_uncertainty_pct,
        "coverage_factor": tester.coverage_factor,
        "certificate": tester.certificate,
        "calibrated_on": tester.calibrated_on,
        "due_on": tester.due_on,
        "registered_at": tester.registered_at,
        "version": tester.version,
    }


def _record(row: RowMapping) -> Tester:
    return Tester(
        serial=row["serial"],
        model=row["model"],
        lowest=Torque(row["lowest_value"], row["lowest_unit"], row["lowest_nm"]),
        full_scale=Torque(row["full_scale_value"], row["full_scale_unit"], row["full_scale_nm"]),
        expanded_uncertainty_pct=row["expanded_uncertainty_pct"],
        coverage_factor=row["coverage_factor"],
        certificate=row["certificate"],
        calibrated_on=row["calibrated_on"],
        due_on=row["due_on"],
        registered_at=row["registered_at"],
        version=row["version"],
    )
