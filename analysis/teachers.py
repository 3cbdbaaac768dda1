"""Which wrenches teach the laws of a fleet: all of a small family, a sample of a large one.

What a family teaches about its laws grows with its wrenches, what its laws' doubt adds to a
forecast shrinks with them: after some hundred wrenches it is lost beside what each wrench does not
show about itself. So at most MOST_TEACHERS wrenches of each kind and direction teach; every wrench
is placed by its own evidence all the same.

The sample is drawn by a digest of the serial: the wrenches with the lowest digests teach. That is
a simple random sample which does not move with the order of the rows, changes by one wrench when
one wrench comes or goes, and can be drawn from parts of the fleet: the lowest of all are among the
lowest of each part. Samples of parts are joined by `joined`, in any order.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import blake2b
from typing import Final

import polars as pl

from analysis.kinds import size_column

# With so many, spreads of level and rate are known to 4 to 11 %, and due dates lie 6 days in 425
# from those under the true law in the median (DEVELOPERS.md, "Speed").
MOST_TEACHERS: Final = 300

_FAMILY: Final = ("direction", "mechanism", "size")
# What a history is packed from.
_NEEDED: Final = (
    "wrench", "direction", "check", "kind", "day", "cycles", "x", "deviation_pct", "mechanism",
    "size",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Teachers:
    """The readings of the wrenches that teach, and what there is of each kind and direction.

    deviations  the columns of `analysis.deviation.with_deviations` that a history is packed from,
                and `size`; all rows of the wrenches that teach in the row's direction
    census      direction, mechanism, size, and over all wrenches of the fleet: wrenches, and how
                many of them were checked on two days at least (repeated), since only they show
                drift
    most        how many of a kind and direction teach at most
    """

    deviations: pl.DataFrame
    census: pl.DataFrame
    most: int


def teachers_of(deviations: pl.DataFrame, most: int = MOST_TEACHERS) -> Teachers:
    """The teachers of a fleet, or of a part of one that holds all readings of its wrenches.

    deviations  frame of `analysis.deviation.with_deviations`
    """
    rows = deviations.with_columns(size_column()).select(_NEEDED)
    wrenches = rows.group_by("wrench", *_FAMILY).agg(
        (pl.col("day").min() < pl.col("day").max()).alias("repeated")
    )
    census = wrenches.group_by(_FAMILY).agg(
        pl.len().cast(pl.Int64).alias("wrenches"),
        pl.col("repeated").sum().cast(pl.Int64).alias("repeated"),
    )
    return Teachers(_cut(rows, most), census.sort(_FAMILY), most)


def joined(parts: Iterable[Teachers]) -> Teachers:
    """The teachers of a fleet from those of its parts.

    Raises ValueError where there is no part, where parts were drawn for different numbers, or
    where one wrench is found in two of them.
    """
    given = list(parts)
    if not given or len({part.most for part in given}) > 1:
        raise ValueError("parts of one fleet are wanted, all drawn for the same number of teachers")
    serials = pl.concat([part.deviations.select("wrench", "direction").unique() for part in given])
    if serials.is_duplicated().any():
        twice = serials.filter(serials.is_duplicated())["wrench"].unique().sort().to_list()
        raise ValueError(f"wrenches whose readings lie in two parts: {twice}")
    most = given[0].most
    census = pl.concat([part.census for part in given]).group_by(_FAMILY).sum().sort(_FAMILY)
    return Teachers(_cut(pl.concat([part.deviations for part in given]), most), census, most)


def _cut(rows: pl.DataFrame, most: int) -> pl.DataFrame:
    """The rows of the wrenches with the lowest digests of each kind and direction."""
    wrenches = rows.select("wrench", *_FAMILY).unique()
    if not wrenches.select((pl.len().over(_FAMILY) > most).any()).item():
        return rows
    kept = wrenches.with_columns(_digest(wrenches["wrench"]).alias("digest")).filter(
        pl.col("digest").rank("ordinal").over(_FAMILY) <= most
    )
    return rows.join(kept, on=["wrench", *_FAMILY], how="semi", maintain_order="left")


def _digest(serials: pl.Series) -> pl.Series:
    """A number for each serial, the same on every machine and in every version."""
    return pl.Series(
        [int.from_bytes(blake2b(s.encode(), digest_size=8).digest()) for s in serials],
        dtype=pl.UInt64,
    )
