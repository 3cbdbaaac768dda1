"""Work since the last checks as a frame, one row a wrench and direction, and back again."""

from collections.abc import Mapping
from typing import Final

import polars as pl

from analysis.use_since import Work
from analysis.vocabulary import Direction

# The fields of `analysis.use_since.Work`.
WORK: Final = pl.Schema(
    {
        "wrench": pl.String(),
        "direction": pl.String(),
        "check_day": pl.Float64(),
        "read_day": pl.Float64(),
        "read": pl.Float64(),
        "begun_day": pl.Float64(),  # null: no work was ever recorded
        "pull_days": pl.List(pl.Float64()),
        "pulls": pl.List(pl.Int64()),  # on each of these days
        "until_day": pl.Float64(),
    }
)


def work_frame(work: Mapping[tuple[str, Direction], Work]) -> pl.DataFrame:
    """Schema WORK, by wrench and direction."""
    rows = [
        (
            wrench,
            direction.value,
            each.check_day,
            each.read_day,
            each.read,
            each.begun_day,
            [day for day, _ in each.pulls],
            [count for _, count in each.pulls],
            each.until_day,
        )
        for (wrench, direction), each in sorted(work.items())
    ]
    return pl.DataFrame(rows, schema=WORK, orient="row")


def work_of(frame: pl.DataFrame) -> dict[tuple[str, Direction], Work]:
    """What `work_frame` was given, from the frame that it gave."""
    return {
        (wrench, Direction(direction)): Work(
            check_day=check_day,
            read_day=read_day,
            read=read,
            begun_day=begun_day,
            pulls=tuple(zip(pull_days, pulls, strict=True)),
            until_day=until_day,
        )
        for (
            wrench, direction, check_day, read_day, read, begun_day, pull_days, pulls, until_day,
        ) in frame.select(WORK.names()).iter_rows()
    }  # fmt: skip
