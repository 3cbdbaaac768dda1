"""The bookings of one shop. A change adds a version, so that nothing of their story is lost."""

import dataclasses
from datetime import datetime
from typing import Any

from sqlalchemy import RowMapping, Select, func, insert, select
from sqlalchemy.orm import aliased

from analysis.vocabulary import CheckKind, Direction
from service.booking_records import Booking, BookingStatus
from service.store import ledger_content as content
from service.store.booking_tables import BookingRow
from service.store.errors import StaleVersion, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import CheckRow


class Bookings:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, booking: Booking) -> Booking:
        """The booking as stored; its wrench is known to be there."""
        last = self._scope.connection.execute(
            select(func.max(BookingRow.number)).where(BookingRow.shop_id == self._scope.shop_id)
        ).scalar_one()
        self._insert((last or 0) + 1, booking)
        return booking

    def get(self, booking_id: str) -> Booking:
        """The version in force; raises UnknownRecord."""
        return self.history(booking_id)[-1]

    def history(self, booking_id: str) -> tuple[Booking, ...]:
        """Every version, the first one first; raises UnknownRecord."""
        found = self._fetch(
            self._rows().where(BookingRow.id == booking_id).order_by(BookingRow.version)
        )
        if not found:
            raise UnknownRecord("booking", booking_id)
        return found

    def list(
        self, after: str | None = None, limit: int = 100, wrench: str | None = None
    ) -> tuple[Booking, ...]:
        """At most `limit` bookings as they stand, the one booked last first: those that follow the
        booking `after`. Raises UnknownRecord when `after` is no booking of the shop.
        """
        query = self._in_force(None)
        if wrench is not None:
            query = query.where(BookingRow.wrench == wrench)
        if after is not None:
            query = query.where(BookingRow.number < self._number(after))
        return self._fetch(query.order_by(BookingRow.number.desc()).limit(limit))

    def every(self, as_of: datetime | None = None) -> tuple[Booking, ...]:
        """All bookings as they stand, or stood at an instant, by day; the cancelled among them."""
        return self._fetch(self._in_force(as_of).order_by(BookingRow.day, BookingRow.number))

    def update(self, booking: Booking, expected_version: int) -> Booking:
        """The booking with its next version.

        Raises UnknownRecord, and StaleVersion when it is not at `expected_version` any more.
        """
        current = self.get(booking.id)
        if current.version != expected_version:
            raise StaleVersion("booking", booking.id, current.version)
        changed = dataclasses.replace(booking, version=expected_version + 1)
        self._insert(self._number(booking.id), changed)
        return changed

    def last_checks(self, as_of: datetime | None = None) -> dict[str, datetime]:
        """The instant of each wrench's last check at a tester that counts, up to an instant."""
        query = (
            select(CheckRow.wrench, func.max(CheckRow.performed_at).label("last"))
            .where(
                CheckRow.shop_id == self._scope.shop_id,
                CheckRow.voided_at.is_(None),
                CheckRow.tester.is_not(None),
            )
            .group_by(CheckRow.wrench)
            .order_by(CheckRow.wrench)
        )
        if as_of is not None:
            query = query.where(CheckRow.performed_at <= as_of)
        return {row.wrench: row.last for row in self._scope.connection.execute(query)}

    def last_evidence(self, wrench: str) -> dict[Direction, datetime]:
        """The instant of the wrench's last check or card that counts, in each direction."""
        found = self._scope.connection.execute(
            select(CheckRow.direction, func.max(CheckRow.performed_at).label("last"))
            .where(
                CheckRow.shop_id == self._scope.shop_id,
                CheckRow.wrench == wrench,
                CheckRow.voided_at.is_(None),
            )
            .group_by(CheckRow.direction)
        )
        return {Direction(row.direction): row.last for row in found}

    def _rows(self) -> Select[Any]:
        return select(BookingRow.__table__).where(BookingRow.shop_id == self._scope.shop_id)

    def _in_force(self, as_of: datetime | None) -> Select[Any]:
        other = aliased(BookingRow)
        newest = select(func.max(other.version)).where(
            other.shop_id == BookingRow.shop_id, other.number == BookingRow.number
        )
        if as_of is not None:
            newest = newest.where(other.recorded_at <= as_of)
        return self._rows().where(BookingRow.version == newest.scalar_subquery())

    def _number(self, booking_id: str) -> int:
        number = self._scope.connection.execute(
            select(BookingRow.number)
            .where(BookingRow.shop_id == self._scope.shop_id, BookingRow.id == booking_id)
            .limit(1)
        ).scalar_one_or_none()
        if number is None:
            raise UnknownRecord("booking", booking_id)
        return number

    def _insert(self, number: int, booking: Booking) -> None:
        row = {
            "shop_id": self._scope.shop_id,
            "number": number,
            "version": booking.version,
            "id": booking.id,
            "wrench": booking.wrench,
            "kind": booking.kind.value,
            "day": booking.day,
            "status": booking.status.value,
            "note": booking.note,
            "reason": booking.reason,
            "recorded_at": booking.recorded_at,
        }
        self._scope.connection.execute(insert(BookingRow), [row])
        Ledger(self._scope).append(
            EntryKind.BOOKING, [(content.booking_record(row), content.booking(row))]
        )

    def _fetch(self, query: Select[Any]) -> tuple[Booking, ...]:
        return tuple(map(_record, self._scope.connection.execute(query).mappings()))


def _record(row: RowMapping) -> Booking:
    return Booking(
        id=row["id"],
        wrench=row["wrench"],
        kind=CheckKind(row["kind"]),
        day=row["day"],
        status=BookingStatus(row["status"]),
        note=row["note"],
        reason=row["reason"],
        recorded_at=row["recorded_at"],
        version=row["version"],
    )
