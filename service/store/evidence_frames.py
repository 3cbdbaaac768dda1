"""The shop's evidence as the two frames that `analysis` reads."""

from collections.abc import Iterator, Mapping, Set
from datetime import datetime
from typing import Any, Final, NamedTuple

import polars as pl
from polars.datatypes import DataTypeClass
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
from sqlalchemy.orm import InstrumentedAttribute

from analysis.evidence import READINGS, WRENCHES
from analysis.use_count import with_use_counted
from service.records import ToleranceBasis
from service.store.tables import (
    MICROSECONDS_PER_DAY,
    CheckRow,
    PointRow,
    PullRow,
    ReadingRow,
    WrenchRow,
)


class Span(NamedTuple):
    """Wrenches from one serial to another, both counted, in the store's order of serials."""

    first: str
    last: str


# A serial, a span of them or any set of some hundreds; None: every wrench.
Among = str | Span | frozenset[str] | None


def wrench_frame(connection: Connection, shop_id: int, wrench: Among = None) -> pl.DataFrame:
    """One row a wrench of the shop, by serial, or the one or some of them; schema WRENCHES of
    `analysis.evidence`.
    """
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
        .where(WrenchRow.shop_id == shop_id, among_wrenches(WrenchRow.serial, wrench))
        .order_by(WrenchRow.serial),
        WRENCHES,
    )


def reading_frame(
    connection: Connection,
    shop_id: int,
    as_of: datetime,
    wrench: Among = None,
    schema: pl.Schema = READINGS,
) -> pl.DataFrame:
    """One row a reading of the checks performed up to `as_of`; schema `analysis.evidence.READINGS`.

    wrench  serial, or some of them; None for every wrench
    schema  other columns of DETAILED_READINGS to choose

    Voided checks are left out. Where no counter was read, recorded work gives the count of cycles:
    see `analysis.use_count`. Rows are in order of wrench, time, check, point and reading, so that
    the same evidence gives the same frame.
    """
    of_check = _chosen(_OF_CHECK, {"number", "wrench", "day", "cycles"} | schema.keys())
    checks = frame_of(
        connection,
        select(*(column for column, _ in of_check.values()))
        .where(*counting(shop_id, as_of, wrench))
        .order_by(CheckRow.wrench, CheckRow.performed_at, CheckRow.number),
        pl.Schema({name: dtype for name, (_, dtype) in of_check.items()}),
    )
    of_reading = _chosen(_OF_READING, {"number"} | schema.keys())
    readings = frame_of(
        connection,
        select(*(column for column, _ in of_reading.values()))
        .select_from(ReadingRow)
        .join(
            PointRow,
            and_(
                PointRow.shop_id == ReadingRow.shop_id,
                PointRow.check_number == ReadingRow.check_number,
                PointRow.position == ReadingRow.point_position,
            ),
        )
        # Asked this way readings are looked up by check, and a few wrenches never read them all.
        .where(
            ReadingRow.shop_id == shop_id,
            ReadingRow.check_number.in_(
                select(CheckRow.number).where(*counting(shop_id, as_of, wrench))
            ),
        )
        .order_by(ReadingRow.check_number, ReadingRow.point_position, ReadingRow.position),
        pl.Schema({name: dtype for name, (_, dtype) in of_reading.items()}),
    )
    instant = pl.col("day").cast(DETAILED_READINGS["performed_at"])
    checks = with_use_counted(
        checks.with_columns(
            performed_at=instant,
            day=_days(checks["day"]),
            cycles=pl.col("cycles").cast(pl.Float64),
        ),
        _work_frame(connection, shop_id, as_of, wrench),
    )
    return checks.join(readings, on="number", how="inner", maintain_order="left_right").select(
        schema.names()
    )


def spans_of_wrenches(
    connection: Connection, shop_id: int, as_of: datetime, most: int
) -> Iterator[Span]:
    """All wrenches of the shop in order, in spans of about so many wrenches and checks in all."""
    span: list[str] = []
    held = 0
    mine = and_(CheckRow.wrench == WrenchRow.serial, *counting(shop_id, as_of))
    for wrench, checks in connection.execute(
        select(WrenchRow.serial, func.count(CheckRow.number))
        .join_from(WrenchRow, CheckRow, mine, isouter=True)
        .where(WrenchRow.shop_id == shop_id)
        .group_by(WrenchRow.serial)
        .order_by(WrenchRow.serial)
    ).all():
        if span and held + 1 + checks > most:
            yield Span(span[0], span[-1])
            span, held = [], 0
        span.append(wrench)
        held += 1 + checks
    if span:
        yield Span(span[0], span[-1])


def _work_frame(
    connection: Connection, shop_id: int, as_of: datetime, wrench: Among
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
    return frame.with_columns(day=_days(frame["performed_at_us"]))


def _days(microseconds: pl.Series) -> pl.Series:
    """UTC days, the same however many rows: polars divides a longer column by a number otherwise
    than a single row, by a rounding.
    """
    return pl.Series(microseconds.to_numpy() / MICROSECONDS_PER_DAY, dtype=pl.Float64)


_WORK: Final = pl.Schema({"wrench": pl.String, "performed_at_us": pl.Int64, "count": pl.Int64})

_WITH_DETAILS: Final[dict[str, pl.DataType | DataTypeClass]] = {
    "performed_at": pl.Datetime("us", "UTC"),
    "tester": pl.String,  # serial; null: a card
    "operator": pl.String,  # null: nobody is named
    "temperature_c": pl.Float64,
    "point": pl.Int64,  # counted from 1 within its check
    "reading": pl.Int64,  # counted from 1 at its point
}
DETAILED_READINGS: Final = pl.Schema({**READINGS, **_WITH_DETAILS})

_Columns = Mapping[str, tuple[ColumnElement[Any] | InstrumentedAttribute[Any], DataTypeClass]]

# Days and cycles are worked out of what is stored: microseconds, and a count or nothing.
_OF_CHECK: Final[_Columns] = {
    "number": (CheckRow.number, pl.Int64),
    "wrench": (CheckRow.wrench, pl.String),
    "direction": (CheckRow.direction, pl.String),
    "check": (CheckRow.id, pl.String),
    "kind": (CheckRow.kind, pl.String),
    "day": (type_coerce(CheckRow.performed_at, BigInteger), pl.Int64),
    "cycles": (CheckRow.cycle_count, pl.Int64),
    "card": (CheckRow.card_issuer.is_not(None), pl.Boolean),
    "tester": (CheckRow.tester, pl.String),
    "operator": (CheckRow.operator, pl.String),
    "temperature_c": (CheckRow.temperature_c, pl.Float64),
}
_OF_READING: Final[_Columns] = {
    "number": (ReadingRow.check_number, pl.Int64),
    "point": (ReadingRow.point_position + 1, pl.Int64),
    "reading": (ReadingRow.position + 1, pl.Int64),
    "target_nm": (PointRow.target_nm, pl.Float64),
    "indicated_nm": (ReadingRow.indicated_nm, pl.Float64),
    "reference_nm": (ReadingRow.reference_nm, pl.Float64),
}


def _chosen(columns: _Columns, names: Set[str]) -> _Columns:
    return {name: column for name, column in columns.items() if name in names}


def counting(
    shop_id: int, as_of: datetime, wrench: Among = None
) -> tuple[ColumnElement[bool], ...]:
    """That a check is the shop's (or of some wrenches), not voided, performed up to `as_of`."""
    return (
        CheckRow.shop_id == shop_id,
        CheckRow.voided_at.is_(None),
        CheckRow.performed_at <= as_of,
        among_wrenches(CheckRow.wrench, wrench),
    )


def among_wrenches(serial: InstrumentedAttribute[str], wrench: Among) -> ColumnElement[bool]:
    """That a column of serials is one of these."""
    if isinstance(wrench, Span):
        return serial.between(wrench.first, wrench.last)
    if isinstance(wrench, frozenset):
        return serial.in_(sorted(wrench))
    return true() if wrench is None else serial == wrench


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
