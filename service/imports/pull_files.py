"""Files of pulls: CSV, one row a pull, and NDJSON, a line the body of one pull plus `wrench`."""

from collections.abc import Iterator
from datetime import datetime
from enum import StrEnum
from typing import Any, Final, assert_never

from service.findings import Finding, Refused
from service.imports.bodies import Locate, read_as, without_nothing
from service.imports.cells import Cells
from service.imports.pulls import SentPull, report_of, take_pulls
from service.imports.rows import CsvRow, read_rows
from service.records import ImportReport
from service.schemas.pulls import PullInput
from service.schemas.wrenches import Serial
from service.store import ShopStore

COLUMNS: Final = ("wrench", "job", "performed_at", "direction", "torque", "unit")
OPTIONAL_COLUMNS: Final = ("angle_deg", "operator", "count", "client_id")

_COLUMN_OF: Final = {"/torque/value": "torque", "/torque/unit": "unit"}


class PullFormat(StrEnum):
    """Formats of a file of pulls, by media type."""

    CSV = "text/csv"
    NDJSON = "application/x-ndjson"


class PullOfWrenchInput(PullInput):
    """A pull, and the wrench that it was made with."""

    wrench: Serial


def import_pulls(
    shop: ShopStore,
    data: bytes,
    file_format: PullFormat,
    *,
    now: datetime,
    partial: bool = False,
) -> ImportReport:
    """What became of the file's pulls, stored in the transaction of `shop`.

    partial   store the pulls that keep the rules and report the rows of the others; else one
              finding refuses the file

    Findings name the column, or in NDJSON the JSON pointer. Raises Refused when the file as a whole
    cannot be read and, unless `partial`, with the findings of all rows.
    """
    match file_format:
        case PullFormat.CSV:
            sent, found = read_pull_csv(data)
        case PullFormat.NDJSON:
            sent, found = read_pull_ndjson(data)
        case _:
            assert_never(file_format)
    return report_of(take_pulls(shop, sent, now=now, partial=partial, found=found))


def read_pull_csv(data: bytes) -> tuple[list[SentPull], list[Finding]]:
    """The pulls that can be read, and the findings about the other rows.

    Raises Refused when the file as a whole cannot be read.
    """
    rows, findings = read_rows(data, required=COLUMNS, optional=OPTIONAL_COLUMNS)
    return _read(((_body(row), _column_at(row.number)) for row in rows), findings)


def read_pull_ndjson(data: bytes) -> tuple[list[SentPull], list[Finding]]:
    """The pulls that can be read, and the findings about the other lines; row 1 is line 1."""
    lines = enumerate(data.removeprefix(b"\xef\xbb\xbf").split(b"\n"), start=1)
    return _read(((line, _member_at(number)) for number, line in lines if line.strip()), [])


def _read(
    bodies: "Iterator[tuple[dict[str, Any] | bytes | Refused, Locate]]", findings: list[Finding]
) -> tuple[list[SentPull], list[Finding]]:
    sent: list[SentPull] = []
    for body, locate in bodies:
        if isinstance(body, Refused):
            findings.extend(body.findings)
            continue
        try:
            read = read_as(PullOfWrenchInput, body, locate)
        except Refused as refused:
            findings.extend(refused.findings)
        else:
            sent.append(SentPull(wrench=read.wrench, draft=read.draft(), locate=locate))
    return sent, findings


def _body(row: CsvRow) -> dict[str, Any] | Refused:
    """The row as the body of a pull, or what keeps it from being one."""
    cells = Cells(row)
    cells.required(*COLUMNS)
    torque, angle_deg = cells.decimal("torque"), cells.decimal("angle_deg")
    count = cells.whole("count")
    if cells.findings:
        return Refused(cells.findings)
    return without_nothing(
        {
            "wrench": row.word("wrench"),
            "job": row.text("job"),
            "performed_at": row.word("performed_at"),
            "direction": row.word("direction"),
            "torque": {"value": torque, "unit": row.word("unit")},
            "angle_deg": angle_deg,
            "operator": row.text("operator"),
            "count": count,
            "client_id": row.text("client_id"),
        }
    )


def _column_at(row: int) -> Locate:
    return lambda pointer: (_COLUMN_OF.get(pointer, pointer.removeprefix("/")), row)


def _member_at(row: int) -> Locate:
    return lambda pointer: (pointer, row)
