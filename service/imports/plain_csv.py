"""CSV of checks into columns, as long as every cell is plain."""

from typing import Final

from service.imports.check_csv import COLUMNS, OPTIONAL_COLUMNS
from service.imports.plain_file import PlainFile
from service.imports.plain_frame import NUMBERS, plain_frame
from service.points_at_once import NotPlain

# A number in digits with a point, short enough that it means what every reader takes it for.
_DECIMAL: Final = r"^[0-9]{1,15}(\.[0-9]{1,15})?$"


def plain_csv(data: bytes, *, confirm_unusual: bool) -> PlainFile:
    """Raises NotPlain."""
    import polars as pl

    data = data.removeprefix(b"\xef\xbb\xbf").removesuffix(b"\n")
    if b'"' in data or b"\r" in data or b"\n\n" in data:
        raise NotPlain
    try:
        header = data[: data.find(b"\n")].decode().split(",")
        data.decode()
    except UnicodeDecodeError:
        raise NotPlain from None
    known = {*COLUMNS, *OPTIONAL_COLUMNS}
    if not set(COLUMNS) <= set(header) <= known or len(set(header)) != len(header):
        raise NotPlain
    # No line with more cells than its header, as Polars sees to, and so none with fewer.
    if data.count(b",") != (len(header) - 1) * (data.count(b"\n") + 1):
        raise NotPlain
    try:
        frame = pl.read_csv(data, infer_schema=False, quote_char=None)
        plain = frame.select(pl.col(NUMBERS).str.contains(_DECIMAL).all())  # of those not empty
        if not all(plain.row(0)):
            raise NotPlain
        frame = frame.with_columns(pl.col(NUMBERS).cast(pl.Float64))
    except pl.exceptions.PolarsError:
        raise NotPlain from None
    return plain_frame(frame, confirm_unusual=confirm_unusual)
