"""What is on record of each wrench's use since its last check, for `analysis.use_since`."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from sqlalchemy import BigInteger, Connection, func, select, type_coerce

from analysis.use_since import Work
from analysis.vocabulary import Direction
from service.store.evidence_frames import Among, among_wrenches, counting
from service.store.tables import EPOCH, CheckRow, PullRow

_US_PER_DAY: Final = 86_400_000_000


def work_since(
    connection: Connection,
    shop_id: int,
    as_of: datetime,
    until_day: float,
    among: Among = None,
) -> dict[tuple[str, Direction], Work]:
    """Of each wrench and direction that has a check performed up to `as_of`.

    until_day   up to which nothing more is expected of `as_of`: the day of the question
    among       the wrenches asked about

    Pulls of both directions count: a cycle wears the wrench whichever way it is turned.
    """
    last, counters = _checks(connection, shop_id, as_of, among)
    begun = _begun(connection, shop_id, as_of, among)
    found: dict[tuple[str, Direction], Work] = {}
    for (wrench, direction), (at, count) in last.items():
        read_at, read = at, 0
        later = counters.get(wrench)
        if count is not None and later is not None and later[0] > at and later[1] >= count:
            read_at, read = later[0], later[1] - count
        pulls: tuple[tuple[float, int], ...] = ()
        if wrench in begun:
            pulls = _pulls(connection, shop_id, wrench, read_at, as_of)
        found[wrench, Direction(direction)] = Work(
            check_day=at / _US_PER_DAY,
            read_day=read_at / _US_PER_DAY,
            read=float(read),
            begun_day=begun.get(wrench),
            pulls=pulls,
            until_day=max(until_day, pulls[-1][0] if pulls else read_at / _US_PER_DAY),
        )
    return found


def _checks(
    connection: Connection, shop_id: int, as_of: datetime, among: Among
) -> tuple[
    Mapping[tuple[str, str], tuple[int, int | None]], Mapping[str, tuple[int, int]]
]:  # fmt: skip
    """The last check of each wrench and direction, and the last of each wrench with a counter:
    when, and the count.
    """
    last: dict[tuple[str, str], tuple[int, int | None]] = {}
    counters: dict[str, tuple[int, int]] = {}
    for wrench, direction, at, count in connection.execute(
        select(
            CheckRow.wrench,
            CheckRow.direction,
            type_coerce(CheckRow.performed_at, BigInteger),
            CheckRow.cycle_count,
        )
        .where(*counting(shop_id, as_of, among))
        .order_by(CheckRow.performed_at, CheckRow.number)
    ):
        last[wrench, direction] = at, count
        if count is not None:
            counters[wrench] = at, count
    return last, counters


def _begun(connection: Connection, shop_id: int, as_of: datetime, among: Among) -> dict[str, float]:
    """The day of each wrench's first recorded work."""
    rows = connection.execute(
        select(PullRow.wrench, func.min(type_coerce(PullRow.performed_at, BigInteger)))
        .where(
            PullRow.shop_id == shop_id,
            PullRow.voided_at.is_(None),
            PullRow.performed_at <= as_of,
            among_wrenches(PullRow.wrench, among),
        )
        .group_by(PullRow.wrench)
    )
    return {wrench: at / _US_PER_DAY for wrench, at in rows}


def _pulls(
    connection: Connection, shop_id: int, wrench: str, after_us: int, as_of: datetime
) -> tuple[tuple[float, int], ...]:
    """Pulls of a wrench after an instant, a pair a day: when the day's last was made, how many."""
    at = type_coerce(PullRow.performed_at, BigInteger)
    up_to = (as_of - EPOCH).total_seconds() * 1e6
    rows = connection.execute(
        select(func.max(at), func.sum(PullRow.count))
        .where(
            PullRow.shop_id == shop_id,
            PullRow.wrench == wrench,
            PullRow.voided_at.is_(None),
            at > after_us,
            at <= round(up_to),
        )
        .group_by(at // _US_PER_DAY)
        .order_by(func.max(at))
    )
    return tuple((last / _US_PER_DAY, int(pulls)) for last, pulls in rows)
