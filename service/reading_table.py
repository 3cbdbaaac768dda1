"""Every reading as a row of one wide table, for those who work with frames of their own.

What `analysis.evidence` and `analysis.deviation` say of a reading, and beside it who measured it,
with what, and in which place of its check.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from analysis.vocabulary import CheckKind, Direction
from service.store import ShopStore

if TYPE_CHECKING:
    import polars as pl

COLUMNS: Final = (
    "wrench", "mechanism", "full_scale_nm", "direction", "check", "kind", "performed_at", "day",
    "cycles", "card", "tester", "operator", "temperature_c", "point", "reading", "target_nm",
    "indicated_nm", "reference_nm", "x", "deviation_pct", "mpd_pct",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which readings; None chooses all.

    since, until  performed from the one on, and before the other
    """

    wrench: str | None = None
    direction: Direction | None = None
    kind: CheckKind | None = None
    since: datetime | None = None
    until: datetime | None = None


def reading_schema() -> "pl.Schema":
    """The columns of the table with their types."""
    import polars as pl

    from analysis.deviation import with_deviations
    from analysis.evidence import WRENCHES
    from service.store.evidence_frames import DETAILED_READINGS

    empty = with_deviations(pl.DataFrame(schema=WRENCHES), pl.DataFrame(schema=DETAILED_READINGS))
    return empty.select(COLUMNS).schema


def reading_batches(
    records: ShopStore, up_to: datetime, chosen: Chosen
) -> "Iterator[pl.DataFrame]":
    """The table, some wrenches at a time, in order of wrench, time, check, point and reading.

    Checks that were voided are left out, and those performed after `up_to`.
    """

    from analysis.deviation import with_deviations

    for wrenches, readings in records.reading_batches(up_to, chosen.wrench, details=True):
        yield with_deviations(wrenches, readings.filter(*_conditions(chosen))).select(COLUMNS)


def _conditions(chosen: Chosen) -> "list[pl.Expr]":
    import polars as pl

    conditions: list[pl.Expr] = []
    if chosen.direction is not None:
        conditions.append(pl.col("direction") == chosen.direction.value)
    if chosen.kind is not None:
        conditions.append(pl.col("kind") == chosen.kind.value)
    if chosen.since is not None:
        conditions.append(pl.col("performed_at") >= chosen.since)
    if chosen.until is not None:
        conditions.append(pl.col("performed_at") < chosen.until)
    return conditions
