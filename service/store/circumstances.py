"""Who made each check, with which tester, and how finely that tester's readings are written.

Rounding looks like scatter that is constant in torque, so a study of the bottom of a range must
know it. No record says in which steps a tester displays, and what its maker states is not what a
bench writes down; the readings themselves tell. All of one tester in one unit are whole multiples
of the step in which they were written, so that step is their greatest common divisor: worked out
in decimals as received, because in binary fractions 19.8 and 19.9 have nothing in common. A tester
that writes coarser steps high in its range counts with its finest.
"""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from math import gcd
from typing import Final

import polars as pl
from sqlalchemy import Connection, and_, select

from analysis.evidence import CIRCUMSTANCES
from service.store.evidence_frames import counting, frame_of
from service.store.tables import CheckRow, ReadingRow
from service.torque import newton_metres_per

# Whole numbers drawn at random have a common divisor by chance: eight of them once in 250 times
# (1 - 1 / zeta(8)). With fewer different readings the step is better called unknown.
FEWEST_VALUES: Final = 8

_CHECKS: Final = pl.Schema(
    {"number": pl.Int64, "check": pl.String, "operator": pl.String, "tester": pl.String}
)
_UNITS: Final = pl.Schema({"number": pl.Int64, "tester": pl.String, "unit": pl.String})
_VALUES: Final = pl.Schema({"tester": pl.String, "unit": pl.String, "value": pl.Float64})
_STEPS: Final = pl.Schema({"tester": pl.String, "unit": pl.String, "step_nm": pl.Float64})


def circumstance_frame(connection: Connection, shop_id: int, as_of: datetime) -> pl.DataFrame:
    """One row a check performed up to `as_of`, by number; schema `analysis.evidence.CIRCUMSTANCES`.

    Voided checks are left out, and say nothing about a tester's step.
    """
    of_check = and_(
        CheckRow.shop_id == ReadingRow.shop_id, CheckRow.number == ReadingRow.check_number
    )
    counts = counting(shop_id, as_of)
    checks = frame_of(
        connection,
        select(CheckRow.number, CheckRow.id, CheckRow.operator, CheckRow.tester)
        .where(*counts)
        .order_by(CheckRow.number),
        _CHECKS,
    )
    measured = (*counts, CheckRow.tester.is_not(None))
    units = frame_of(
        connection,
        select(CheckRow.number, CheckRow.tester, ReadingRow.reference_unit)
        .join(ReadingRow, of_check)
        .where(*measured)
        .distinct(),
        _UNITS,
    )
    values = frame_of(
        connection,
        select(CheckRow.tester, ReadingRow.reference_unit, ReadingRow.reference_value)
        .join(ReadingRow, of_check)
        .where(*measured)
        .distinct(),
        _VALUES,
    )
    steps = pl.DataFrame(
        [
            (tester, unit, None if step is None else step * newton_metres_per(unit))
            for (tester, unit), group in values.group_by("tester", "unit")
            for step in [written_step(group["value"])]
        ],
        schema=_STEPS,
        orient="row",
    )
    # A check whose readings came in two units counts with the coarser step.
    of_checks = units.join(steps, on=["tester", "unit"]).group_by("number").agg(pl.max("step_nm"))
    return checks.join(of_checks, on="number", how="left", maintain_order="left").select(
        CIRCUMSTANCES.names()
    )


def written_step(values: Iterable[float]) -> float | None:
    """The largest step of which all values are whole multiples, in their unit.

    None with fewer than eight different values: their common divisor would be chance.
    """
    decimals = {Decimal(repr(value)).normalize() for value in values}
    if len(decimals) < FEWEST_VALUES:
        return None
    finest = min(int(each.as_tuple().exponent) for each in decimals)
    whole = gcd(*(int(each.scaleb(-finest)) for each in decimals))
    return float(Decimal(whole).scaleb(finest))
