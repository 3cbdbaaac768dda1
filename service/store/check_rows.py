"""A check as rows of three tables, and back."""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

from sqlalchemy import (
    BigInteger,
    Connection,
    RowMapping,
    and_,
    bindparam,
    select,
    type_coerce,
)

from analysis.vocabulary import CheckKind, Direction, Edition
from service.intake import CheckDraft
from service.records import Card, Check, PastReading, Point, Reading, Void
from service.store.mpd_columns import mpd_of
from service.store.tables import MICROSECONDS_PER_DAY, CheckRow, PointRow, ReadingRow
from service.torque import Torque


class NaturalKey(NamedTuple):
    """What makes two records the same check, whatever road they came by."""

    wrench: str
    performed_at: datetime
    kind: str
    direction: str
    source: str

    @classmethod
    def of(cls, check: Check) -> "NaturalKey":
        return cls.of_draft(check.wrench, check)

    @classmethod
    def of_draft(cls, wrench: str, check: Check | CheckDraft) -> "NaturalKey":
        """The key of a check that is about to be stored."""
        return cls(
            wrench,
            check.performed_at,
            check.kind.value,
            check.direction.value,
            source_of(check.tester, check.card),
        )


def source_of(tester: str | None, card: Card | None) -> str:
    """Who measured, in one text."""
    # JSON, because no separator is safe in a name that somebody else chose.
    if card is not None:
        return json.dumps(["card", card.issuer, card.certificate])
    return json.dumps(["tester", tester])


def check_columns(shop_id: int, number: int, check: Check) -> dict[str, Any]:
    card, void = check.card, check.void
    stated = card.mpd if card else None
    return {
        "shop_id": shop_id,
        "number": number,
        "id": check.id,
        "wrench": check.wrench,
        "kind": check.kind.value,
        "direction": check.direction.value,
        "performed_at": check.performed_at,
        "tester": check.tester,
        "source": source_of(check.tester, check.card),
        "operator": check.operator,
        "temperature_c": check.temperature_c,
        "cycle_count": check.cycle_count,
        "card_issuer": card.issuer if card else None,
        "card_certificate": card.certificate if card else None,
        "card_issued_on": card.issued_on if card else None,
        "card_expanded_uncertainty_pct": card.expanded_uncertainty_pct if card else None,
        "card_coverage_factor": card.coverage_factor if card else None,
        "card_serial": card.serial if card else None,
        "card_model": card.model if card else None,
        "card_edition": card.edition.value if card and card.edition else None,
        "card_mpd_pct": stated.percent if stated else None,
        "card_mpd_basis": stated.basis.value if stated else None,
        "replaces": check.replaces,
        "recorded_at": check.recorded_at,
        "voided_at": void.at if void else None,
        "void_reason": void.reason if void else None,
    }


# Whole rows; without shop and number they are POINT and READING of the ledger.
PointTuple = tuple[int, int, int, float, str, float]
ReadingTuple = tuple[int, int, int, int, float, str, float, float, str, float]


def point_rows(shop_id: int, number: int, check: Check) -> list[PointTuple]:
    return [
        (shop_id, number, position, target.value, target.unit, target.nm)
        for position, target in enumerate(point.target for point in check.points)
    ]


def reading_rows(shop_id: int, number: int, check: Check) -> list[ReadingTuple]:
    return [
        (
            shop_id, number, point_position, position,
            measured.value, measured.unit, measured.nm, shown.value, shown.unit, shown.nm,
        )
        for point_position, point in enumerate(check.points)
        for position, (measured, shown) in enumerate(
            (reading.reference, reading.indicated) for reading in point.readings
        )
    ]  # fmt: skip


def checks_of(
    connection: Connection, shop_id: int, rows: Sequence[RowMapping]
) -> tuple[Check, ...]:
    """The checks of these rows of `checks`, in their order, with their points and readings."""
    if not rows:
        return ()
    points = _points_of(connection, shop_id, [row["number"] for row in rows])
    return tuple(_check(row, points[row["number"]]) for row in rows)


def _points_of(
    connection: Connection, shop_id: int, numbers: list[int]
) -> Mapping[int, tuple[Point, ...]]:
    readings: dict[tuple[int, int], list[Reading]] = {}
    for row in connection.execute(
        select(
            ReadingRow.check_number,
            ReadingRow.point_position,
            ReadingRow.reference_value,
            ReadingRow.reference_unit,
            ReadingRow.reference_nm,
            ReadingRow.indicated_value,
            ReadingRow.indicated_unit,
            ReadingRow.indicated_nm,
        )
        .where(ReadingRow.shop_id == shop_id, ReadingRow.check_number.in_(numbers))
        .order_by(ReadingRow.check_number, ReadingRow.point_position, ReadingRow.position)
    ):
        readings.setdefault((row[0], row[1]), []).append(
            Reading(
                reference=Torque(row[2], row[3], row[4]), indicated=Torque(row[5], row[6], row[7])
            )
        )
    points: dict[int, list[Point]] = {number: [] for number in numbers}
    for target in connection.execute(
        select(
            PointRow.check_number,
            PointRow.position,
            PointRow.target_value,
            PointRow.target_unit,
            PointRow.target_nm,
        )
        .where(PointRow.shop_id == shop_id, PointRow.check_number.in_(numbers))
        .order_by(PointRow.check_number, PointRow.position)
    ):
        points[target[0]].append(
            Point(
                target=Torque(target[2], target[3], target[4]),
                readings=tuple(readings[target[0], target[1]]),
            )
        )
    return {number: tuple(of_check) for number, of_check in points.items()}


# Check, kind, day, indicated and reference torque in N·m.
ToJudge = tuple[str, str, float, float, float]


_TO_JUDGE: Final = (
    select(
        CheckRow.wrench,
        CheckRow.direction,
        type_coerce(CheckRow.performed_at, BigInteger),
        CheckRow.id,
        CheckRow.kind,
        ReadingRow.indicated_nm,
        ReadingRow.reference_nm,
    )
    .join(
        ReadingRow,
        and_(ReadingRow.shop_id == CheckRow.shop_id, ReadingRow.check_number == CheckRow.number),
    )
    .where(
        CheckRow.shop_id == bindparam("shop_id"),
        CheckRow.wrench.in_(bindparam("wrenches", expanding=True)),
        CheckRow.voided_at.is_(None),
    )
)


def readings_to_judge(
    connection: Connection, shop_id: int, wrenches: Sequence[str]
) -> dict[str, dict[Direction, list[ToJudge]]]:
    """By wrench and direction: every reading of the wrenches, voided checks left out."""
    found: dict[str, dict[Direction, list[ToJudge]]] = {}
    for wrench, way, at_us, check, kind, indicated_nm, reference_nm in connection.execute(
        _TO_JUDGE, {"shop_id": shop_id, "wrenches": wrenches}
    ).all():
        reading = check, kind, at_us / MICROSECONDS_PER_DAY, indicated_nm, reference_nm
        found.setdefault(wrench, {}).setdefault(Direction(way), []).append(reading)
    return found


_LATEST: Final = (
    select(CheckRow.__table__)
    .where(
        CheckRow.shop_id == bindparam("shop_id"),
        CheckRow.wrench == bindparam("wrench"),
        CheckRow.voided_at.is_(None),
    )
    .order_by(CheckRow.performed_at.desc(), CheckRow.number.desc())
    .limit(bindparam("among"))
    .subquery("latest")
)
_READINGS_BEFORE: Final = (
    select(
        _LATEST.c.id,
        _LATEST.c.kind,
        type_coerce(_LATEST.c.performed_at, BigInteger) / float(MICROSECONDS_PER_DAY),
        PointRow.target_nm,
        ReadingRow.indicated_nm,
        ReadingRow.reference_nm,
    )
    .select_from(_LATEST)
    .join(
        PointRow,
        and_(PointRow.shop_id == _LATEST.c.shop_id, PointRow.check_number == _LATEST.c.number),
    )
    .join(
        ReadingRow,
        and_(
            ReadingRow.shop_id == PointRow.shop_id,
            ReadingRow.check_number == PointRow.check_number,
            ReadingRow.point_position == PointRow.position,
        ),
    )
    .where(
        _LATEST.c.direction == bindparam("direction"),
        _LATEST.c.performed_at < bindparam("performed_at"),
    )
    .order_by(_LATEST.c.number, ReadingRow.point_position, ReadingRow.position)
)


def readings_before(
    connection: Connection, shop_id: int, check: Check, among: int
) -> list[PastReading]:
    """The readings of earlier checks in the direction of this one, those of a check in the order
    taken, as far as they are among so many latest checks of its wrench.
    """
    rows = connection.execute(
        _READINGS_BEFORE,
        {
            "shop_id": shop_id,
            "wrench": check.wrench,
            "among": among,
            "direction": check.direction.value,
            "performed_at": check.performed_at,
        },
    ).all()
    return [*map(PastReading._make, rows)]


def card_of(row: RowMapping) -> Card | None:
    """The card of a row of `checks`; None where a tester measured."""
    if row["card_issuer"] is None:
        return None
    return Card(
        issuer=row["card_issuer"],
        certificate=row["card_certificate"],
        issued_on=row["card_issued_on"],
        expanded_uncertainty_pct=row["card_expanded_uncertainty_pct"],
        coverage_factor=row["card_coverage_factor"],
        serial=row["card_serial"],
        model=row["card_model"],
        edition=Edition(row["card_edition"]) if row["card_edition"] else None,
        mpd=mpd_of(row["card_mpd_pct"], row["card_mpd_basis"]),
    )


def _check(row: RowMapping, points: tuple[Point, ...]) -> Check:
    void = None
    if row["voided_at"] is not None:
        void = Void(at=row["voided_at"], reason=row["void_reason"])
    return Check(
        id=row["id"],
        wrench=row["wrench"],
        kind=CheckKind(row["kind"]),
        direction=Direction(row["direction"]),
        performed_at=row["performed_at"],
        tester=row["tester"],
        operator=row["operator"],
        temperature_c=row["temperature_c"],
        cycle_count=row["cycle_count"],
        points=points,
        card=card_of(row),
        replaces=row["replaces"],
        void=void,
        recorded_at=row["recorded_at"],
    )
