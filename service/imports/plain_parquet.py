"""Checks from the cells of a Parquet file, as long as every cell is plain."""

from typing import TYPE_CHECKING

from service.imports.plain_file import PlainFile
from service.imports.plain_frame import NUMBERS, plain_frame
from service.points_at_once import NotPlain

if TYPE_CHECKING:
    import polars as pl


def plain_parquet(cells: "pl.DataFrame", *, confirm_unusual: bool) -> PlainFile:
    """Of the frame that `parquet_cells.read_cells` gives; raises NotPlain."""
    import polars as pl

    if any(cells[name].dtype != pl.Float64() for name in NUMBERS):
        raise NotPlain  # text that spells numbers, or no number at all
    positive = cells.select((pl.col(NUMBERS).is_finite() & (pl.col(NUMBERS) > 0)).all())
    if not all(positive.row(0)):
        raise NotPlain
    return plain_frame(cells, confirm_unusual=confirm_unusual)
