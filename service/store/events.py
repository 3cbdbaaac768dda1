"""The trail of each wrench of one shop: written once, read newest first."""

import dataclasses
from collections.abc import Collection, Iterable
from typing import Final

from sqlalchemy import Row, bindparam, func, select

from analysis.vocabulary import Direction
from service.records import Change, Event, EventKind
from service.store import ledger_content as content
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import EventRow
from service.store.whole_rows import WholeRows

_LAST: Final = select(func.max(EventRow.number)).where(EventRow.shop_id == bindparam("shop_id"))
_ROWS: Final = WholeRows(EventRow)


class Events:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, *events: Event) -> None:
        """Write the events in their order, in the transaction of what they tell.

        By which token and from where is what the caller of the transaction says.
        """
        if not events:
            return
        connection, shop_id = self._scope.connection, self._scope.shop_id
        caller = self._scope.caller
        last = connection.execute(_LAST, {"shop_id": shop_id}).scalar_one()
        rows = [
            {
                "shop_id": shop_id,
                "number": number,
                "wrench": event.wrench,
                "kind": event.kind.value,
                "recorded_at": event.recorded_at,
                "person": event.person,
                "why": event.why,
                "check_id": event.check,
                "direction": event.direction.value if event.direction else None,
                "changes": [dataclasses.asdict(change) for change in event.changes],
                "token_id": caller.token_id if caller else None,
                "token_name": caller.token_name if caller else None,
                "address": caller.address if caller else None,
            }
            for number, event in enumerate(events, start=1 + (last or 0))
        ]
        _ROWS.insert_mappings(connection, rows)
        Ledger(self._scope).append(
            EntryKind.EVENT, ((str(row["number"]), content.event(row)) for row in rows)
        )

    def list(self, wrench: str, before: int | None = None, limit: int = 100) -> tuple[Event, ...]:
        """At most `limit` events of the wrench, newest first: those numbered below `before`."""
        query = (
            select(EventRow.__table__)
            .where(EventRow.shop_id == self._scope.shop_id, EventRow.wrench == wrench)
            .order_by(EventRow.number.desc())
            .limit(limit)
        )
        if before is not None:
            query = query.where(EventRow.number < before)
        return tuple(_records(self._scope.connection.execute(query)))

    def of_kinds(self, wrench: str, kinds: Collection[EventKind]) -> tuple[Event, ...]:
        """Every event of the wrench of these kinds, in the order in which they were written."""
        query = (
            select(EventRow.__table__)
            .where(
                EventRow.shop_id == self._scope.shop_id,
                EventRow.wrench == wrench,
                EventRow.kind.in_([kind.value for kind in kinds]),
            )
            .order_by(EventRow.number)
        )
        return tuple(_records(self._scope.connection.execute(query)))


def _records(rows: Iterable[Row[tuple[object, ...]]]) -> Iterable[Event]:
    for row in rows:
        yield Event(
            wrench=row.wrench,
            kind=EventKind(row.kind),
            recorded_at=row.recorded_at,
            person=row.person,
            why=row.why,
            check=row.check_id,
            direction=Direction(row.direction) if row.direction else None,
            changes=tuple(Change(**change) for change in row.changes),
            number=row.number,
            token_id=row.token_id,
            token_name=row.token_name,
            address=row.address,
        )
