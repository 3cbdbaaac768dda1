"""The ledger: a chain of hashes over every record of a shop.

What a store holds already is chained in the order in which it was recorded, wrenches and testers as
they stand. The entries say when they were written: at the upgrade. What was altered before it
cannot be told.
"""

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

import sqlalchemy as sa
from alembic import op

from service.store.ledger_form import GENESIS, canonical, entry_hash, microseconds, sha256
from service.store.migrations.immutability import refuse_deletes, refuse_edits

revision = "0007"
down_revision = "0006"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC
VOID = ("voided_at", "void_reason")
PAGE = 10_000

# When it was recorded, rank among what was recorded in that moment, kind, record, content.
Recorded = tuple[int, int, str, str, dict[str, Any]]


def upgrade() -> None:
    op.create_table(
        "ledger",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("record", sa.String, nullable=False),
        sa.Column("at", INSTANT, nullable=False),
        sa.Column("content", sa.String),
        sa.Column("digest", sa.String, nullable=False),
        sa.Column("previous", sa.String, nullable=False),
        sa.Column("hash", sa.String, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_ledger_shops"),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_ledger"),
    )
    connection = op.get_bind()
    shops = connection.execute(sa.text("SELECT id FROM shops ORDER BY id")).scalars().all()
    for shop_id in shops:
        _chain(connection, shop_id)
    refuse_edits("ledger")
    refuse_deletes("ledger")


def _chain(connection: sa.Connection, shop_id: int) -> None:
    at_us, previous = microseconds(datetime.now(UTC)), GENESIS
    digested = []
    for recorded_at, rank, kind, record, content in _records(connection, shop_id):
        text = canonical(content)
        kept = text if kind in ("wrench", "tester") else None
        digested.append((recorded_at, rank, kind, record, kept, sha256(text)))
    digested.sort(key=itemgetter(0, 1))
    rows = []
    for number, (_, _, kind, record, kept, digest) in enumerate(digested, start=1):
        own = entry_hash(
            number=number,
            kind=kind,
            record=record,
            at_us=at_us,
            digest=digest,
            previous=previous,
        )
        rows.append(
            {
                "shop_id": shop_id,
                "number": number,
                "kind": kind,
                "record": record,
                "at": at_us,
                "content": kept,
                "digest": digest,
                "previous": previous,
                "hash": own,
            }
        )
        previous = own
    for start in range(0, len(rows), PAGE):
        connection.execute(
            sa.text(
                'INSERT INTO ledger (shop_id, number, kind, record, "at", content, digest,'
                " previous, hash) VALUES (:shop_id, :number, :kind, :record, :at, :content,"
                " :digest, :previous, :hash)"
            ),
            rows[start : start + PAGE],
        )


def _records(connection: sa.Connection, shop_id: int) -> Iterator[Recorded]:
    """Every record of the shop; those of one kind in the order of recording."""

    def rows(table: str, order: str) -> Iterator[dict[str, Any]]:
        query = f"SELECT * FROM {table} WHERE shop_id = :shop ORDER BY {order}"  # noqa: S608
        for row in connection.execute(sa.text(query), {"shop": shop_id}).mappings():
            yield _plain(row)

    for row in rows("testers", "serial"):
        yield row["registered_at"], 0, "tester", row["serial"], {"testers": row}
    quarantines = _Parts(rows("quarantines", "wrench, direction"), "wrench")
    for row in rows("wrenches", "serial"):
        kept = [
            [each["direction"], each["check_id"], each["since"]]
            for each in quarantines.next_of(row["serial"])
        ]
        content = {"wrenches": row, "quarantines": kept}
        yield row["registered_at"], 1, "wrench", row["serial"], content
    for row in rows("policies", "version"):
        yield row["recorded_at"], 2, "policy", str(row["version"]), {"policies": row}

    points = _Parts(rows("points", "check_number, position"), "check_number")
    readings = _Parts(rows("readings", "check_number, point_position, position"), "check_number")
    for row in rows("checks", "number"):
        content = {
            "checks": _without_void(row),
            "points": [_values(each, POINT) for each in points.next_of(row["number"])],
            "readings": [_values(each, READING) for each in readings.next_of(row["number"])],
        }
        yield row["recorded_at"], 3, "check", row["id"], content
        yield from _void(row, "check_void")
    angles = _Parts(
        rows("angle_readings", "check_number, point_position, position"), "check_number"
    )
    for row in rows("angle_checks", "number"):
        content = {
            "angle_checks": _without_void(row),
            "angle_readings": [_values(each, ANGLE) for each in angles.next_of(row["number"])],
        }
        yield row["recorded_at"], 3, "angle_check", row["id"], content
        yield from _void(row, "angle_check_void")
    for row in rows("pulls", "number"):
        row["out_of_service"] = bool(row["out_of_service"])
        yield row["recorded_at"], 4, "pull", row["id"], {"pulls": _without_void(row)}
        yield from _void(row, "pull_void")

    for row in rows("wrench_events", "number"):
        yield row["recorded_at"], 6, "event", str(row["number"]), {"wrench_events": row}
    for row in rows("bookings", "number, version"):
        record = f"{row['id']}/{row['version']}"
        yield row["recorded_at"], 6, "booking", record, {"bookings": row}


POINT = ("position", "target_value", "target_unit", "target_nm")
READING = (
    "point_position", "position", "reference_value", "reference_unit", "reference_nm",
    "indicated_value", "indicated_unit", "indicated_nm",
)  # fmt: skip
ANGLE = ("point_position", "position", "target_deg", "reference_deg", "indicated_deg")


def _values(row: dict[str, Any], names: Sequence[str]) -> list[Any]:
    return [row[name] for name in names]


def _without_void(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in VOID}


def _void(row: dict[str, Any], kind: str) -> Iterator[Recorded]:
    if "voided_at" in row:
        content = {
            "id": row["id"],
            "voided_at": row["voided_at"],
            "void_reason": row["void_reason"],
        }
        yield row["voided_at"], 5, kind, row["id"], content


def _plain(row: sa.RowMapping) -> dict[str, Any]:
    """The row as the ledger writes it: without the shop and without what is empty."""
    plain: dict[str, Any] = {}
    for name, value in row.items():
        if value is None or name == "shop_id":
            continue
        if name in ("document", "changes") and isinstance(value, str):
            value = json.loads(value)
        elif isinstance(value, date):
            value = value.isoformat()
        elif isinstance(value, float):
            value = value + 0.0
        plain[name] = value
    return plain


class _Parts:
    """Parts in the order of what they belong to, handed out along with it."""

    def __init__(self, rows: Iterator[dict[str, Any]], key: str) -> None:
        self._groups = groupby(rows, key=itemgetter(key))
        self._waiting: tuple[Any, list[dict[str, Any]]] | None = None

    def next_of(self, owner: Any) -> list[dict[str, Any]]:
        """The parts of `owner`; none when the next ones belong to another."""
        if self._waiting is None:
            found = next(self._groups, None)
            if found is not None:
                self._waiting = (found[0], list(found[1]))
        if self._waiting is None or self._waiting[0] != owner:
            return []
        parts = self._waiting[1]
        self._waiting = None
        return parts
