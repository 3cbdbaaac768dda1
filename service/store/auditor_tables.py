"""One shop's records as flat tables for an auditor: everything on record, voided or not.

Rows come a few at a time. What is no evidence is left out, and above all what opens something:
digests of secrets, sessions, and answers kept by their key.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, Table, select

from service.store.access_tables import AccessTokenRow
from service.store.angle_tables import AngleCheckRow, AngleReadingRow
from service.store.booking_tables import BookingRow
from service.store.scope import Scope
from service.store.tables import (
    Base,
    CheckRow,
    EventRow,
    PointRow,
    PolicyRow,
    PullRow,
    QuarantineRow,
    ReadingRow,
    TesterRow,
    UtcInstant,
    WrenchRow,
)

_ROWS_AT_ONCE: Final = 1_000

Rows = tuple[Sequence[str], Iterator[Sequence[Any]]]


class AuditorTables:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def names(self) -> Sequence[str]:
        return tuple(_TABLES)

    def instants(self, name: str) -> dict[str, bool]:
        """The columns of a table: whether they hold instants."""
        selected = _TABLES[name]().selected_columns
        return {column.name: isinstance(column.type, UtcInstant) for column in selected}

    def rows(self, name: str) -> Rows:
        """Columns and rows of one table, in the order of recording."""
        query = _TABLES[name]().execution_options(yield_per=_ROWS_AT_ONCE)
        found = self._scope.connection.execute(query.where(self._of_shop(query)))
        return tuple(found.keys()), (tuple(row) for row in found)

    def _of_shop(self, query: Select[Any]) -> ColumnElement[bool]:
        """The first table of a query leads it; all others are joined to it by their shop."""
        table = query.get_final_froms()[0]
        while not isinstance(table, Table):
            table = table.left  # type: ignore[attr-defined]
        condition: ColumnElement[bool] = table.c.shop_id == self._scope.shop_id
        return condition


def _whole(model: type[Base]) -> Callable[[], Select[Any]]:
    def query() -> Select[Any]:
        table = model.__table__
        columns = [column for column in table.columns if column.name != "shop_id"]
        return select(*columns).order_by(*table.primary_key.columns)  # type: ignore[attr-defined]

    return query


def _place(check: Any, reading: Any) -> tuple[ColumnElement[Any], ...]:
    """What tells a reading's check, and its place in it, so that a row can be read by itself.

    check, reading   the columns of the two tables
    """
    return (
        check.id.label("check_id"),
        check.wrench,
        check.kind,
        check.direction,
        check.performed_at,
        check.source,
        reading.point_position.label("point"),
        reading.position.label("reading"),
    )


def _readings() -> Select[Any]:
    """Each with its target and with what tells its check."""
    check, point, reading = CheckRow.__table__.c, PointRow.__table__.c, ReadingRow.__table__.c
    return (
        select(
            *_place(check, reading),
            point.target_value,
            point.target_unit,
            point.target_nm,
            reading.reference_value,
            reading.reference_unit,
            reading.reference_nm,
            reading.indicated_value,
            reading.indicated_unit,
            reading.indicated_nm,
            check.voided_at,
        )
        .select_from(CheckRow.__table__)
        .join(
            PointRow.__table__,
            (point.shop_id == check.shop_id) & (point.check_number == check.number),
        )
        .join(
            ReadingRow.__table__,
            (reading.shop_id == point.shop_id)
            & (reading.check_number == point.check_number)
            & (reading.point_position == point.position),
        )
        .order_by(check.number, reading.point_position, reading.position)
    )


def _angle_readings() -> Select[Any]:
    check, reading = AngleCheckRow.__table__.c, AngleReadingRow.__table__.c
    return (
        select(
            *_place(check, reading),
            reading.target_deg,
            reading.reference_deg,
            reading.indicated_deg,
            check.voided_at,
        )
        .select_from(AngleCheckRow.__table__)
        .join(
            AngleReadingRow.__table__,
            (reading.shop_id == check.shop_id) & (reading.check_number == check.number),
        )
        .order_by(check.number, reading.point_position, reading.position)
    )


def _tokens() -> Select[Any]:
    """Named one by one: a column added later does not leave the store by itself."""
    token = AccessTokenRow.__table__.c
    return select(
        token.id,
        token.name,
        token.scope,
        token.made_at,
        token.made_by,
        token.expires_at,
        token.revoked_at,
        token.last_used_at,
    ).order_by(token.number)


_TABLES: Final[dict[str, Callable[[], Select[Any]]]] = {
    "wrenches": _whole(WrenchRow),
    "quarantines": _whole(QuarantineRow),
    "testers": _whole(TesterRow),
    "checks": _whole(CheckRow),
    "readings": _readings,
    "angle_checks": _whole(AngleCheckRow),
    "angle_readings": _angle_readings,
    "pulls": _whole(PullRow),
    "bookings": _whole(BookingRow),
    "policies": _whole(PolicyRow),
    "trail": _whole(EventRow),
    "tokens": _tokens,
}
