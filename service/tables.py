"""Frames sent as one table, a batch at a time: an Arrow stream, a Parquet file, or CSV.

Whoever sends holds one batch. A Parquet file is told by its end, where its index stands, so it is
written to a file that has no name and sent from there.
"""

import tempfile
from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import polars as pl

_PIECE_BYTES: Final = 1 << 20
# What an Arrow stream ends with: a message of no length. Apache Arrow, "Columnar Format",
# encapsulated message format and IPC streaming format.
_END: Final = b"\xff\xff\xff\xff\x00\x00\x00\x00"
_INSTANT: Final = "%Y-%m-%dT%H:%M:%S%.6fZ"


class TableForm(StrEnum):
    """The forms of a table; the first is the one to be sent when nothing is said."""

    ARROW = "arrow"
    PARQUET = "parquet"
    CSV = "csv"


MEDIA_TYPES: Final = {
    TableForm.ARROW: "application/vnd.apache.arrow.stream",
    TableForm.PARQUET: "application/vnd.apache.parquet",
    TableForm.CSV: "text/csv",
}


def table_in(
    form: TableForm, schema: "pl.Schema", batches: "Iterable[pl.DataFrame]"
) -> Iterator[bytes]:
    """The bytes of a table whose rows are those of the batches, in their order.

    schema  of every batch, and of the table where there is no batch
    """
    write: dict[TableForm, Callable[[pl.Schema, Iterable[pl.DataFrame]], Iterator[bytes]]] = {
        TableForm.ARROW: _arrow,
        TableForm.PARQUET: _parquet,
        TableForm.CSV: _csv,
    }
    return write[form](schema, batches)


def _arrow(schema: "pl.Schema", batches: "Iterable[pl.DataFrame]") -> Iterator[bytes]:
    """One stream out of many: the schema of the first, the batches of each, one end."""
    yield _schema_and_batches(schema.to_frame())[0]
    for batch in batches:
        yield _schema_and_batches(batch)[1]
    yield _END


def _schema_and_batches(frame: "pl.DataFrame") -> tuple[bytes, bytes]:
    import polars as pl

    # Text in the layout that every reader of Arrow knows, not in the newest.
    written = frame.write_ipc_stream(None, compat_level=pl.CompatLevel.oldest()).getvalue()
    # The first message: a mark of four bytes, its length in four, then the schema.
    length = 8 + int.from_bytes(written[4:8], "little")
    return written[:length], written[length : -len(_END)]


def _parquet(schema: "pl.Schema", batches: "Iterable[pl.DataFrame]") -> Iterator[bytes]:
    from polars.io.plugins import register_io_source

    with tempfile.TemporaryFile() as file:
        register_io_source(lambda *_: iter(batches), schema=schema).sink_parquet(file)
        file.seek(0)
        while piece := file.read(_PIECE_BYTES):
            yield piece


def _csv(schema: "pl.Schema", batches: "Iterable[pl.DataFrame]") -> Iterator[bytes]:
    yield schema.to_frame().write_csv().encode()
    for batch in batches:
        yield batch.write_csv(include_header=False, datetime_format=_INSTANT).encode()
