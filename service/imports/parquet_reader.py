"""Reads a Parquet file in a process that the system ends when it asks for too much.

    python -I parquet_reader.py '{"known": [...], "numbers": [...], ...}' < file

On standard output: the names of all columns as a line of JSON, then the known ones as an Arrow
stream. Those in `numbers` are floats where the file has numbers; all else is text as it would stand
in a cell of CSV, nothing where a cell is empty. Or on standard error one sentence, and the exit
status REFUSED.

It is run by its path and imports nothing of the service: it starts quickly, and holds little.
"""

import io
import json
import resource
import sys
from typing import Any, NoReturn

REFUSED = 3


def main(asked: dict[str, Any]) -> None:
    for limit, most in (
        (resource.RLIMIT_AS, asked["most_memory_bytes"]),
        (resource.RLIMIT_CPU, asked["most_seconds"]),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(limit, (most, most))
    import polars as pl

    file = io.BytesIO(sys.stdin.buffer.read())
    names = list(pl.read_parquet_schema(file))
    lazy = pl.scan_parquet(file)
    if lazy.select(pl.len()).collect().item() > asked["most_rows"]:
        _refuse(f"it has more than {asked['most_rows']} rows")
    frame = lazy.select([name for name in names if name in asked["known"]]).collect()
    frame = frame.with_columns(
        _cells(column, number=column.name in asked["numbers"]) for column in frame.get_columns()
    )
    text = sum(
        column.str.len_bytes().sum()
        for column in frame.get_columns()
        if column.dtype == pl.String()
    )
    if text > asked["most_text_bytes"]:
        _refuse(f"its cells hold {text} bytes of text")
    sys.stdout.buffer.write(json.dumps(names[: asked["most_columns"]]).encode() + b"\n")
    frame.write_ipc_stream(sys.stdout.buffer)


def _cells(column: Any, *, number: bool) -> Any:
    import polars as pl

    dtype = column.dtype
    if number and (dtype.is_numeric() or column.null_count() == len(column)):
        return column.cast(pl.Float64(), strict=False)  # an empty column may be of any type
    if dtype.is_numeric():
        if dtype.is_float() and (column.is_null() | (column == column.round())).all():
            column = column.cast(pl.Int64())  # counts beside empty cells, as many programs write
        return column.cast(pl.String())
    if isinstance(dtype, pl.Datetime):
        utc = "Z" if dtype.time_zone else ""
        at = column.dt.convert_time_zone("UTC") if utc else column
        return at.dt.strftime(f"%Y-%m-%dT%H:%M:%S%.6f{utc}")
    if not isinstance(dtype, pl.String | pl.Categorical | pl.Enum | pl.Date | pl.Null):
        _refuse(f"its column {column.name} is of type {dtype}")
    text = column.cast(pl.String())
    return text.set(text == "", None) if (text == "").any() else text


def _refuse(why: str) -> NoReturn:
    print(why, file=sys.stderr)  # noqa: T201 - how it answers
    raise SystemExit(REFUSED)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
