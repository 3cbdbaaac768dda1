"""What the ledger chains of each kind of record, from its rows: about to be stored, and stored."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Select, Table, func, or_, select

from service.store.angle_tables import AngleCheckRow, AngleReadingRow
from service.store.booking_tables import BookingRow
from service.store.ledger import EntryKind
from service.store.ledger_form import (
    ANGLE_READING,
    POINT,
    QUARANTINE,
    READING,
    microseconds,
    row_content,
)
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
    WrenchRow,
)

Content = dict[str, Any]

_VOID: Final = frozenset({"voided_at", "void_reason"})


def _table(model: type[Base]) -> Table:
    table = model.__table__
    assert isinstance(table, Table)  # noqa: S101 - no model here maps a join
    return table


def wrench(row: Mapping[str, Any], quarantine: Iterable[Sequence[Any]]) -> Content:
    """quarantine   values of QUARANTINE, by direction"""
    return {
        "wrenches": row_content(_table(WrenchRow), row),
        "quarantines": [
            [direction, check_id, microseconds(since)] for direction, check_id, since in quarantine
        ],
    }


def tester(row: Mapping[str, Any]) -> Content:
    return {"testers": row_content(_table(TesterRow), row)}


def policy(row: Mapping[str, Any]) -> Content:
    return {"policies": row_content(_table(PolicyRow), row)}


def check(
    row: Mapping[str, Any], points: Iterable[Sequence[Any]], readings: Iterable[Sequence[Any]]
) -> Content:
    """points, readings   values of POINT and of READING, in the order of their positions"""
    return {
        "checks": row_content(_table(CheckRow), row, without=_VOID),
        "points": [(p, value + 0.0, unit, nm + 0.0) for p, value, unit, nm in points],
        "readings": [
            (p, i, value + 0.0, unit, nm + 0.0, shown + 0.0, shown_unit, shown_nm + 0.0)
            for p, i, value, unit, nm, shown, shown_unit, shown_nm in readings
        ],
    }


def angle_check(row: Mapping[str, Any], readings: Iterable[Sequence[Any]]) -> Content:
    """readings   values of ANGLE_READING, in the order of their positions"""
    return {
        "angle_checks": row_content(_table(AngleCheckRow), row, without=_VOID),
        "angle_readings": [
            [p, i, target + 0.0, reference + 0.0, indicated + 0.0]
            for p, i, target, reference, indicated in readings
        ],
    }


def pull(row: Mapping[str, Any]) -> Content:
    return {"pulls": row_content(_table(PullRow), row, without=_VOID)}


def void(row: Mapping[str, Any]) -> Content:
    """Of a check of either kind or a pull."""
    at = row["voided_at"]
    return {
        "id": row["id"],
        "voided_at": None if at is None else microseconds(at),
        "void_reason": row["void_reason"],
    }


def event(row: Mapping[str, Any]) -> Content:
    return {"wrench_events": row_content(_table(EventRow), row)}


def booking(row: Mapping[str, Any]) -> Content:
    return {"bookings": row_content(_table(BookingRow), row)}


def booking_record(row: Mapping[str, Any]) -> str:
    return f"{row['id']}/{row['version']}"


angle_reading_values: Final = itemgetter(*ANGLE_READING)


class StoredContents:
    """The contents of one shop's records as they are stored now."""

    def __init__(self, connection: Connection, shop_id: int) -> None:
        self._connection = connection
        self._shop_id = shop_id

    def of(self, kind: EntryKind, records: Sequence[str]) -> dict[str, Content]:
        """By id: the contents of those of these records that are there.

        Of wrenches and testers: as they stand. Of a void: as it stands on its check or pull.
        """
        return dict(self._READ[kind](self, records))

    def counts(self) -> dict[EntryKind, int]:
        """How many records of each kind are stored."""
        counted = {
            EntryKind.WRENCH: (WrenchRow, False),
            EntryKind.TESTER: (TesterRow, False),
            EntryKind.POLICY: (PolicyRow, False),
            EntryKind.CHECK: (CheckRow, False),
            EntryKind.CHECK_VOID: (CheckRow, True),
            EntryKind.ANGLE_CHECK: (AngleCheckRow, False),
            EntryKind.ANGLE_CHECK_VOID: (AngleCheckRow, True),
            EntryKind.PULL: (PullRow, False),
            EntryKind.PULL_VOID: (PullRow, True),
            EntryKind.EVENT: (EventRow, False),
            EntryKind.BOOKING: (BookingRow, False),
        }
        return {
            kind: self._count(_table(model), voided=voided)
            for kind, (model, voided) in counted.items()
        }

    def part_counts(self) -> dict[str, int]:
        """How many rows there are of what belongs to a record, by table."""
        parts = (PointRow, ReadingRow, AngleReadingRow, QuarantineRow)
        return {table.name: self._count(table, voided=False) for table in map(_table, parts)}

    def _count(self, table: Table, *, voided: bool) -> int:
        query = select(func.count()).select_from(table).where(table.c.shop_id == self._shop_id)
        if voided:
            given = or_(table.c.voided_at.is_not(None), table.c.void_reason.is_not(None))
            query = query.where(given)
        return self._connection.execute(query).scalar_one()

    def _rows(
        self, model: type[Base], key: str, values: Sequence[Any]
    ) -> Iterator[Mapping[str, Any]]:
        table = _table(model)
        query: Select[Any] = select(table).where(
            table.c.shop_id == self._shop_id, table.c[key].in_(values)
        )
        for row in self._connection.execute(query).mappings():
            yield dict(row)

    def _parts(
        self, model: type[Base], key: str, names: Sequence[str], values: Sequence[Any]
    ) -> dict[Any, list[Sequence[Any]]]:
        """By what they belong to: the parts, in the order of their positions."""
        table = _table(model)
        parts: dict[Any, list[Sequence[Any]]] = {}
        for row in self._connection.execute(
            select(table.c[key], *(table.c[name] for name in names))
            .where(table.c.shop_id == self._shop_id, table.c[key].in_(values))
            .order_by(*table.primary_key.columns)
        ):
            parts.setdefault(row[0], []).append(row[1:])
        return parts

    def _wrenches(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        kept = self._parts(QuarantineRow, "wrench", QUARANTINE, records)
        for row in self._rows(WrenchRow, "serial", records):
            yield row["serial"], wrench(row, kept.get(row["serial"], ()))

    def _testers(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        for row in self._rows(TesterRow, "serial", records):
            yield row["serial"], tester(row)

    def _policies(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        for row in self._rows(PolicyRow, "version", _numbers(records)):
            yield str(row["version"]), policy(row)

    def _checks(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        rows = list(self._rows(CheckRow, "id", records))
        numbers = [row["number"] for row in rows]
        points = self._parts(PointRow, "check_number", POINT, numbers)
        readings = self._parts(ReadingRow, "check_number", READING, numbers)
        for row in rows:
            number = row["number"]
            yield row["id"], check(row, points.get(number, ()), readings.get(number, ()))

    def _angle_checks(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        rows = list(self._rows(AngleCheckRow, "id", records))
        numbers = [row["number"] for row in rows]
        readings = self._parts(AngleReadingRow, "check_number", ANGLE_READING, numbers)
        for row in rows:
            yield row["id"], angle_check(row, readings.get(row["number"], ()))

    def _pulls(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        for row in self._rows(PullRow, "id", records):
            yield row["id"], pull(row)

    def _events(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        for row in self._rows(EventRow, "number", _numbers(records)):
            yield str(row["number"]), event(row)

    def _bookings(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        wanted = set(records)
        ids = sorted({record.rpartition("/")[0] for record in wanted})
        for row in self._rows(BookingRow, "id", ids):
            if booking_record(row) in wanted:
                yield booking_record(row), booking(row)

    def _check_voids(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        return self._voids(CheckRow, records)

    def _angle_check_voids(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        return self._voids(AngleCheckRow, records)

    def _pull_voids(self, records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        return self._voids(PullRow, records)

    def _voids(self, model: type[Base], records: Sequence[str]) -> Iterator[tuple[str, Content]]:
        for row in self._rows(model, "id", records):
            yield row["id"], void(row)

    _Reader = Callable[["StoredContents", Sequence[str]], Iterator[tuple[str, Content]]]
    _READ: Final[Mapping[EntryKind, _Reader]] = {
        EntryKind.WRENCH: _wrenches,
        EntryKind.TESTER: _testers,
        EntryKind.POLICY: _policies,
        EntryKind.CHECK: _checks,
        EntryKind.CHECK_VOID: _check_voids,
        EntryKind.ANGLE_CHECK: _angle_checks,
        EntryKind.ANGLE_CHECK_VOID: _angle_check_voids,
        EntryKind.PULL: _pulls,
        EntryKind.PULL_VOID: _pull_voids,
        EntryKind.EVENT: _events,
        EntryKind.BOOKING: _bookings,
    }


def _numbers(records: Sequence[str]) -> list[int]:
    """A ledger that was tampered with may name anything."""
    return [int(record) for record in records if record.isascii() and record.isdigit()]
