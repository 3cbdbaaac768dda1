"""The form in which the ledger writes down what it chains: version 1, never to be changed.

A content is JSON in its one canonical text: keys sorted, no spaces, everything beyond ASCII as
escapes, numbers in the shortest digits that read as the same number. Of a row it holds every column
but the shop, by name, and leaves out those that are empty: a column added later leaves the text of
earlier rows as it was. Instants are whole microseconds since 1970-01-01 UTC, dates are ISO 8601.
The parts of a check are lists in the order of `POINT` and `READING`, torques as received and in
N·m.

    digest = SHA-256(content)
    hash   = SHA-256(content of number, kind, record, at, digest, previous)

where `previous` is the hash of the entry before in the same shop, and GENESIS for the first one.
"""

import hashlib
import json
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any, Final

from sqlalchemy import Float, Table

from service.store.tables import EPOCH

GENESIS: Final = "0" * 64
POINT: Final = ("position", "target_value", "target_unit", "target_nm")
READING: Final = (
    "point_position", "position", "reference_value", "reference_unit", "reference_nm",
    "indicated_value", "indicated_unit", "indicated_nm",
)  # fmt: skip
ANGLE_READING: Final = (
    "point_position", "position", "target_deg", "reference_deg", "indicated_deg"
)  # fmt: skip
QUARANTINE: Final = ("direction", "check_id", "since")

_encoder: Final = json.JSONEncoder(sort_keys=True, separators=(",", ":"), allow_nan=False)
_text: Final = json.encoder.encode_basestring_ascii
_MICROSECOND: Final = timedelta(microseconds=1)


def canonical(content: Any) -> str:
    """The one text of a content; raises ValueError for NaN and infinities."""
    return _encoder.encode(content)


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def entry_hash(
    *, number: int, kind: str, record: str, at_us: int, digest: str, previous: str
) -> str:
    """The hash by which the next entry names this one."""
    # What `canonical` makes of the six, at a fifth of its cost: a check has two entries.
    return sha256(
        f'{{"at":{at_us},"digest":{_text(digest)},"kind":{_text(kind)},"number":{number},'
        f'"previous":{_text(previous)},"record":{_text(record)}}}'
    )


def microseconds(instant: datetime) -> int:
    """As `UtcInstant` keeps it; TypeError for a naive time."""
    return (instant - EPOCH) // _MICROSECOND


def row_content(
    table: Table, row: Mapping[str, Any], *, without: frozenset[str] = frozenset()
) -> dict[str, Any]:
    """The columns of a row that are not empty, but for the shop and those of `without`."""
    content: dict[str, Any] = {}
    for name, value in row.items():
        if value is None or name in without or name == "shop_id":
            continue
        if isinstance(value, datetime):
            value = microseconds(value)
        elif isinstance(value, date):
            value = value.isoformat()
        elif name in _floats(table):
            value = value + 0.0
        content[name] = value
    return content


@cache
def _floats(table: Table) -> frozenset[str]:
    """Columns whose numbers every store gives back as floats, whatever was sent; -0.0 is 0.0."""
    return frozenset(column.name for column in table.columns if isinstance(column.type, Float))
