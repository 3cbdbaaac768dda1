"""A Parquet file as a frame of cells, read apart with bounded memory and time.

A few kilobytes of Parquet can unpack to gigabytes, and no count in the file can be relied on for
how much. So another process reads it (`parquet_reader`), and the system ends that process when it
asks for more than it may have.
"""

import io
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from service.findings import Finding, Refused
from service.imports import parquet_reader
from service.imports.rows import MOST_COLUMNS, CsvRow, column_findings

if TYPE_CHECKING:
    import polars as pl

MOST_ROWS: Final = 500_000  # about twice the readings of the largest CSV that is read
_MOST_TEXT_BYTES: Final = 128 * 1024 * 1024
_MOST_MEMORY_BYTES: Final = 2 * 1024**3  # addresses: what a large file needs is a tenth of them
# Of processor time: ten times what a large file takes, and less than others wait for the store.
_MOST_SECONDS: Final = 5
_MOST_WAITED_S: Final = 60.0
_REMEDY: Final = (
    f"write a Parquet file of at most {MOST_ROWS} rows with text, numbers and instants, "
    "or send the checks as CSV"
)


def read_cells(
    data: bytes, *, required: Sequence[str], optional: Sequence[str], numbers: Sequence[str]
) -> "pl.DataFrame":
    """The columns of a file.

    numbers  columns that are floats where the file has numbers; all others are text as in a CSV,
             null where a cell is empty

    Raises Refused when the file as a whole cannot be read.
    """
    import polars as pl

    asked = {
        "known": [*required, *optional],
        "numbers": [*numbers],
        "most_rows": MOST_ROWS,
        "most_columns": MOST_COLUMNS + 1,
        "most_text_bytes": _MOST_TEXT_BYTES,
        "most_memory_bytes": _MOST_MEMORY_BYTES,
        "most_seconds": _MOST_SECONDS,
    }
    names, _, stream = _read_apart(data, json.dumps(asked)).partition(b"\n")
    findings = column_findings(json.loads(names), required, optional, listed="its columns are")
    if findings:
        raise Refused(findings)
    return pl.read_ipc_stream(io.BytesIO(stream))


def _read_apart(data: bytes, asked: str) -> bytes:
    """What the other process answers."""
    try:
        done = subprocess.run(  # noqa: S603 - our own program, and nothing of the file in its words
            [sys.executable, "-I", Path(parquet_reader.__file__), asked],
            input=data,
            capture_output=True,
            env={"POLARS_MAX_THREADS": "1"},
            timeout=_MOST_WAITED_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _unreadable("it takes too long to read") from None
    if done.returncode == parquet_reader.REFUSED:
        raise _unreadable(done.stderr.decode("utf-8", "replace").strip())
    if done.returncode:
        raise _unreadable("it is no Parquet file, or one that unpacks to more than is read at once")
    return done.stdout


def _unreadable(why: str) -> Refused:
    return Refused([Finding(field="", detail=why, remedy=_REMEDY)])


def rows_of(frame: "pl.DataFrame") -> list[CsvRow]:
    """The rows as those of a CSV with the same cells."""
    return [
        CsvRow(
            number,
            {
                name: cell if isinstance(cell, str) else repr(cell)
                for name, cell in row.items()
                if cell is not None
            },
        )
        for number, row in enumerate(frame.iter_rows(named=True), start=1)
    ]
