"""The shop's evidence as the two frames that `analysis` reads."""

from datetime import datetime
from typing import Any, Final

import polars as pl
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    and_,
    false,
    func,
    select,
    true,
    type_coerce,
)

from analysis.evidence import READINGS, WRENCHES
from analysis.use_count import with_use_counted
from service.records import ToleranceBasis
from service.store.tables import CheckRow, PointRow, PullRow, ReadingRow, WrenchRow

_MICROSECONDS_PER_DAY = 86_400_000_000


def wrench_frame(connection: Connection, shop_id: int, wrench: str | None = None) -> pl.DataFrame:
    """One row a wrench of the shop, by serial, or the one; schema `analysis.evidence.WRENCHES`."""
    full_scale = ToleranceBasis.FULL_SCALE.value
    return frame_of(
        connection,
        select(
            WrenchRow.serial,
            WrenchRow.mechanism,
            WrenchRow.lowest_nm,
            WrenchRow.full_scale_nm,
            WrenchRow.mpd_clockwise_pct,
            WrenchRow.mpd_counter_clockwise_pct,
            func.coalesce(WrenchRow.mpd_clockwise_basis == full_scale, false()),
            func.coalesce(WrenchRow.mpd_counter_clockwise_basis == full_scale, false()),
            WrenchRow.resolution_nm,
        )
        .where(
            WrenchRow.shop_id == shop_id, true() if wrench is None else WrenchRow.serial == wrench
        )
        .order_by(WrenchRow.serial),
        WRENCHES,
    )


def reading_frame(
    connection: Connection, shop_id: int, as_of: datetime, wrench: str | None = None
) -> pl.DataFrame:
    """One row a reading of the checks performed up to `as_of`; schema `analysis.evidence.READINGS`.

    Voided checks are left out. Where no counter was read, recorded work gives the count of cycles:
    see `analysis.use_count`. Rows are in order of wrench, time, check, point and reading, so that
    the same evidence gives the same frame.
    """
    checks = frame_of(
        connection,
        select(
            CheckRow.number,
            CheckRow.wrench,
            CheckRow.direction,
            CheckRow.id,
            CheckRow.kind,
            type_coerce(CheckRow.performed_at, BigInteger),
            CheckRow.cycle_count,
            CheckRow.card_issuer.is_not(None),
        )
        .where(*counting(shop_id, as_of, wrench))
        .order_by(CheckRow.wrench, CheckRow.performed_at, CheckRow.number),
        _CHECKS,
    )
    readings = frame_of(
        connection,
        select(
            ReadingRow.check_number,
            PointRow.target_nm,
            ReadingRow.indicated_nm,
            ReadingRow.reference_nm,
        )
        .select_from(ReadingRow)
        .join(
            PointRow,
            and_(
                PointRow.shop_id == ReadingRow.shop_id,
                PointRow.check_number == ReadingRow.check_number,
                PointRow.position == ReadingRow.point_position,
            ),
        )
        .join(
            CheckRow,
            and_(
                CheckRow.shop_id == ReadingRow.shop_id,
                CheckRow.number == ReadingRow.check_number,
            ),
        )
        .where(*counting(shop_id, as_of, wrench))
        .order_by(ReadingRow.check_number, ReadingRow.point_position, ReadingRow.position),
        _READINGS_OF_CHECKS,
    )
    checks = with_use_counted(
        checks.with_columns(
            day=pl.col("performed_at_us") / _MICROSECONDS_PER_DAY,
            cycles=pl.col("cycle_count").cast(pl.Float64),
        ),
        _work_frame(connection, shop_id, as_of, wrench),
    )
    return checks.join(readings, on="number", how="inner", maintain_order="left_right").select(
        READINGS.names()
    )


def _work_frame(
    connection: Connection, shop_id: int, as_of: datetime, wrench: str | None
) -> pl.DataFrame:
    """Recorded work of the wrenches that lack a counter at some check."""
    lacking = select(CheckRow.wrench).where(
        *counting(shop_id, as_of, wrench), CheckRow.cycle_count.is_(None)
    )
    frame = frame_of(
        connection,
        select(PullRow.wrench, type_coerce(PullRow.performed_at, BigInteger), PullRow.count)
        .where(
            PullRow.shop_id == shop_id,
            PullRow.voided_at.is_(None),
            PullRow.performed_at <= as_of,
            PullRow.wrench.in_(lacking),
        )
        .order_by(PullRow.wrench, PullRow.performed_at, PullRow.number),
        _WORK,
    )
    return frame.with_columns(day=pl.col("performed_at_us") / _MICROSECONDS_PER_DAY)


_WORK: Final = pl.Schema({"wrench": pl.String, "performed_at_us": pl.Int64, "count": pl.Int64})

_CHECKS: Final = pl.Schema(
    {
        "number": pl.Int64,
        "wrench": pl.String,
        "direction": pl.String,
        "check": pl.String,
        "kind": pl.String,
        "performed_at_us": pl.Int64,
        "cycle_count": pl.Int64,
        "card": pl.Boolean,
    }
)

_READINGS_OF_CHECKS: Final = pl.Schema(
    {
        "number": pl.Int64,
        "target_nm": pl.Float64,
        "indicated_nm": pl.Float64,
        "reference_nm": pl.Float64,
    }
)


def counting(
    shop_id: int, as_of: datetime, wrench: str | None = None
) -> tuple[ColumnElement[bool], ...]:
    """That a check is the shop's (or the wrench's), not voided, and performed up to `as_of`."""
    return (
        CheckRow.shop_id == shop_id,
        CheckRow.voided_at.is_(None),
        CheckRow.performed_at <= as_of,
        true() if wrench is None else CheckRow.wrench == wrench,
    )


def frame_of(
    connection: Connection, query: Select[*tuple[Any, ...]], schema: pl.Schema
) -> pl.DataFrame:
    """The rows of a query, its columns in the order of the schema."""
    rows = connection.execute(query).all()
    if not rows:
        return pl.DataFrame(schema=schema)
    # By column: polars takes sequences of one type far faster than rows of mixed ones.
    columns = zip(*rows, strict=True)
    return pl.DataFrame(
        {
            name: pl.Series(name, column, dtype=dtype)
            for (name, dtype), column in zip(schema.items(), columns, strict=True)
        }
    )
