"""The angle checks of one shop. They are added and voided, never edited and never deleted.

They are no part of `ShopStore.evidence`, so that adding one does not have the fleet fitted anew.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import RowMapping, Select, func, insert, literal, select, tuple_, update

from analysis.vocabulary import CheckKind, Direction
from service.angle_records import AngleCheck, AnglePoint, AngleReading
from service.records import Card, Void
from service.store import ledger_content as content
from service.store.angle_tables import AngleCheckRow, AngleReadingRow
from service.store.check_rows import source_of
from service.store.errors import AlreadyVoided, DuplicateRecord, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import UtcInstant

_KIND = "angle check"
_PAGE = 500


class AngleChecks:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, check: AngleCheck) -> AngleCheck:
        """The check as stored; raises DuplicateRecord when one with its natural key counts."""
        there = self.same_as(check)
        if there is not None:
            raise DuplicateRecord(_KIND, check.id, there.id)
        shop_id, connection = self._scope.shop_id, self._scope.connection
        number = 1 + (
            connection.execute(
                select(func.max(AngleCheckRow.number)).where(AngleCheckRow.shop_id == shop_id)
            ).scalar_one()
            or 0
        )
        # Parts before the whole: a stored check takes no more readings.
        readings, row = _reading_columns(shop_id, number, check), _columns(shop_id, number, check)
        connection.execute(insert(AngleReadingRow), readings)
        connection.execute(insert(AngleCheckRow), [row])
        measured = content.angle_check(row, map(content.angle_reading_values, readings))
        Ledger(self._scope).append(EntryKind.ANGLE_CHECK, [(check.id, measured)])
        if check.void is not None:
            self._chain_void(row)
        return check

    def same_as(self, check: AngleCheck) -> AngleCheck | None:
        """The check that counts already with this one's natural key."""
        found = self._fetch(
            self._all().where(
                AngleCheckRow.wrench == check.wrench,
                AngleCheckRow.performed_at == check.performed_at,
                AngleCheckRow.kind == check.kind.value,
                AngleCheckRow.direction == check.direction.value,
                AngleCheckRow.source == source_of(check.tester, check.card),
                AngleCheckRow.voided_at.is_(None),
            )
        )
        return found[0] if found else None

    def find(self, check_id: str) -> AngleCheck | None:
        found = self._fetch(self._all().where(AngleCheckRow.id == check_id))
        return found[0] if found else None

    def get(self, check_id: str) -> AngleCheck:
        """Raises UnknownRecord."""
        check = self.find(check_id)
        if check is None:
            raise UnknownRecord(_KIND, check_id)
        return check

    def list(
        self, wrench: str, after: str | None = None, limit: int = 100, *, include_voided: bool
    ) -> tuple[AngleCheck, ...]:
        """At most `limit` checks of a wrench, newest first: those after the check `after`.

        Raises UnknownRecord when `after` is no angle check of the shop.
        """
        query = self._all().where(AngleCheckRow.wrench == wrench)
        if not include_voided:
            query = query.where(AngleCheckRow.voided_at.is_(None))
        if after is not None:
            place = self._scope.connection.execute(
                select(AngleCheckRow.performed_at, AngleCheckRow.number).where(
                    AngleCheckRow.shop_id == self._scope.shop_id, AngleCheckRow.id == after
                )
            ).one_or_none()
            if place is None:
                raise UnknownRecord(_KIND, after)
            query = query.where(
                tuple_(AngleCheckRow.performed_at, AngleCheckRow.number)
                < tuple_(literal(place.performed_at, UtcInstant()), place.number)
            )
        newest_first = (AngleCheckRow.performed_at.desc(), AngleCheckRow.number.desc())
        return self._fetch(query.order_by(*newest_first).limit(limit))

    def every(self) -> tuple[AngleCheck, ...]:
        """The checks that count, of all wrenches, oldest first."""
        query = self._all().where(AngleCheckRow.voided_at.is_(None))
        return self._fetch(query.order_by(AngleCheckRow.performed_at, AngleCheckRow.number))

    def void(self, check_id: str, reason: str, at: datetime) -> AngleCheck:
        """The check, voided; raises UnknownRecord or AlreadyVoided."""
        check = self.get(check_id)
        if check.void is not None:
            raise AlreadyVoided(_KIND, check_id)
        void = {"voided_at": at, "void_reason": reason}
        self._scope.connection.execute(
            update(AngleCheckRow)
            .where(AngleCheckRow.shop_id == self._scope.shop_id, AngleCheckRow.id == check_id)
            .values(**void)
        )
        self._chain_void({"id": check_id, **void})
        return replace(check, void=Void(at=at, reason=reason))

    def _chain_void(self, row: Mapping[str, Any]) -> None:
        Ledger(self._scope).append(EntryKind.ANGLE_CHECK_VOID, [(row["id"], content.void(row))])

    def _all(self) -> Select[Any]:
        return select(AngleCheckRow.__table__).where(AngleCheckRow.shop_id == self._scope.shop_id)

    def _fetch(self, query: Select[Any]) -> tuple[AngleCheck, ...]:
        rows = self._scope.connection.execute(query).mappings().all()
        found: list[AngleCheck] = []
        for start in range(0, len(rows), _PAGE):
            page = rows[start : start + _PAGE]
            points = self._points_of([row["number"] for row in page])
            found += [_record(row, points[row["number"]]) for row in page]
        return tuple(found)

    def _points_of(self, numbers: Sequence[int]) -> dict[int, tuple[AnglePoint, ...]]:
        row = AngleReadingRow
        points: dict[int, dict[int, tuple[float, list[AngleReading]]]] = {n: {} for n in numbers}
        for number, place, target, reference, indicated in self._scope.connection.execute(
            select(
                row.check_number,
                row.point_position,
                row.target_deg,
                row.reference_deg,
                row.indicated_deg,
            )
            .where(row.shop_id == self._scope.shop_id, row.check_number.in_(numbers))
            .order_by(row.check_number, row.point_position, row.position)
        ):
            readings = points[number].setdefault(place, (target, []))[1]
            readings.append(AngleReading(reference_deg=reference, indicated_deg=indicated))
        return {
            number: tuple(
                AnglePoint(target_deg=target, readings=tuple(readings))
                for target, readings in of_check.values()
            )
            for number, of_check in points.items()
        }


def _columns(shop_id: int, number: int, check: AngleCheck) -> dict[str, Any]:
    card, void = check.card, check.void
    return {
        "shop_id": shop_id,
        "number": number,
        "id": check.id,
        "wrench": check.wrench,
        "kind": check.kind.value,
        "direction": check.direction.value,
        "performed_at": check.performed_at,
        "tester": check.tester,
        "source": source_of(check.tester, card),
        "operator": check.operator,
        "expanded_uncertainty_deg": check.expanded_uncertainty_deg,
        "coverage_factor": check.coverage_factor,
        "card_issuer": card.issuer if card else None,
        "card_certificate": card.certificate if card else None,
        "card_issued_on": card.issued_on if card else None,
        "replaces": check.replaces,
        "recorded_at": check.recorded_at,
        "voided_at": void.at if void else None,
        "void_reason": void.reason if void else None,
    }


def _reading_columns(shop_id: int, number: int, check: AngleCheck) -> "Sequence[dict[str, Any]]":
    return [
        {
            "shop_id": shop_id,
            "check_number": number,
            "point_position": place,
            "position": position,
            "target_deg": point.target_deg,
            "reference_deg": reading.reference_deg,
            "indicated_deg": reading.indicated_deg,
        }
        for place, point in enumerate(check.points)
        for position, reading in enumerate(point.readings)
    ]


def _record(row: RowMapping, points: tuple[AnglePoint, ...]) -> AngleCheck:
    card = void = None
    if row["card_issuer"] is not None:
        card = Card(
            issuer=row["card_issuer"],
            certificate=row["card_certificate"],
            issued_on=row["card_issued_on"],
        )
    if row["voided_at"] is not None:
        void = Void(at=row["voided_at"], reason=row["void_reason"])
    return AngleCheck(
        id=row["id"],
        wrench=row["wrench"],
        kind=CheckKind(row["kind"]),
        direction=Direction(row["direction"]),
        performed_at=row["performed_at"],
        tester=row["tester"],
        operator=row["operator"],
        expanded_uncertainty_deg=row["expanded_uncertainty_deg"],
        coverage_factor=row["coverage_factor"],
        points=points,
        card=card,
        replaces=row["replaces"],
        void=void,
        recorded_at=row["recorded_at"],
    )
