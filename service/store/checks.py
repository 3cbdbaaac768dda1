"""The checks of one shop. They are added and voided, never edited and never deleted."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import chain
from typing import Any, Final

from sqlalchemy import (
    RowMapping,
    Select,
    and_,
    bindparam,
    func,
    literal,
    select,
    true,
    tuple_,
    update,
)

from analysis.vocabulary import Direction
from service.intake import CycleCounts
from service.records import Check, CheckPaper, PastReading, Void
from service.store import ledger_content as content
from service.store.check_rows import (
    NaturalKey,
    PointTuple,
    ReadingTuple,
    ToJudge,
    card_of,
    check_columns,
    checks_of,
    point_rows,
    reading_rows,
    readings_before,
    readings_to_judge,
)
from service.store.errors import AlreadyVoided, DuplicateRecord, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.scope import Scope
from service.store.tables import (
    CheckRow,
    PointRow,
    ReadingRow,
    TesterRow,
    UtcInstant,
    WrenchRow,
)
from service.store.whole_rows import WholeRows

_PAGE = 500

_LAST: Final = select(func.max(CheckRow.number)).where(CheckRow.shop_id == bindparam("shop_id"))
_CYCLE_COUNTS: Final = select(CheckRow.performed_at, CheckRow.cycle_count).where(
    CheckRow.shop_id == bindparam("shop_id"),
    CheckRow.wrench == bindparam("wrench"),
    CheckRow.voided_at.is_(None),
    CheckRow.cycle_count.is_not(None),
)
_SAME: Final = select(
    CheckRow.wrench,
    CheckRow.performed_at,
    CheckRow.kind,
    CheckRow.direction,
    CheckRow.source,
    CheckRow.id,
).where(
    CheckRow.shop_id == bindparam("shop_id"),
    CheckRow.wrench.in_(bindparam("wrenches", expanding=True)),
    CheckRow.performed_at >= bindparam("first"),
    CheckRow.performed_at <= bindparam("last"),
    CheckRow.voided_at.is_(None),
)
_LATEST: Final = (
    select(CheckRow.wrench, CheckRow.direction, func.max(CheckRow.performed_at))
    .where(
        CheckRow.shop_id == bindparam("shop_id"),
        CheckRow.wrench.in_(bindparam("wrenches", expanding=True)),
        CheckRow.voided_at.is_(None),
    )
    .group_by(CheckRow.wrench, CheckRow.direction)
)
_POINTS: Final = WholeRows(PointRow)
_READINGS: Final = WholeRows(ReadingRow)
_CHECKS: Final = WholeRows(CheckRow)


class Checks:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, check: Check) -> Check:
        """The check as stored; raises what `add_many` raises."""
        self.add_many((check,))
        return check

    def add_many(self, checks: Iterable[Check]) -> int:
        """How many checks were stored: all of them, or the transaction fails.

        Raises DuplicateRecord for a check whose natural key is stored, or twice among `checks`, and
        UnknownRecord for a wrench, a tester or a replaced check that the shop does not have.
        """
        new = list(checks)
        if not new:
            return 0
        self._refuse_duplicates(new)
        self._refuse_unknown(new)
        shop_id, connection = self._scope.shop_id, self._scope.connection
        first = 1 + (connection.execute(_LAST, {"shop_id": shop_id}).scalar_one() or 0)
        numbered = list(enumerate(new, start=first))
        points = [point_rows(shop_id, number, check) for number, check in numbered]
        readings = [reading_rows(shop_id, number, check) for number, check in numbered]
        rows = [check_columns(shop_id, number, check) for number, check in numbered]
        # Parts before the whole: a stored check takes no more points or readings.
        _POINTS.insert(connection, chain.from_iterable(points))
        _READINGS.insert(connection, chain.from_iterable(readings))
        _CHECKS.insert_mappings(connection, rows)
        self._chain(rows, points, readings)
        self._scope.recorded["reading"] += sum(map(len, readings))
        self._scope.evidence_changes()
        return len(new)

    def find(self, check_id: str) -> Check | None:
        found = self.find_many((check_id,))
        return found[0] if found else None

    def find_many(self, check_ids: Sequence[str]) -> tuple[Check, ...]:
        """Those of the checks that the shop has, in the order of recording."""
        found: list[Check] = []
        for start in range(0, len(check_ids), _PAGE):
            part = check_ids[start : start + _PAGE]
            found += self._fetch(self._all().where(CheckRow.id.in_(part)).order_by(CheckRow.number))
        return tuple(found)

    def get(self, check_id: str) -> Check:
        """Raises UnknownRecord."""
        check = self.find(check_id)
        if check is None:
            raise UnknownRecord("check", check_id)
        return check

    def list(
        self,
        wrench: str | None = None,
        after: str | None = None,
        limit: int = 100,
        *,
        include_voided: bool = False,
    ) -> tuple[Check, ...]:
        """At most `limit` checks, newest first: those that follow the check with the id `after`.

        wrench    serial; None for the checks of every wrench

        Raises UnknownRecord when `after` is no check of the shop.
        """
        query = self._all()
        if wrench is not None:
            query = query.where(CheckRow.wrench == wrench)
        if not include_voided:
            query = query.where(CheckRow.voided_at.is_(None))
        if after is not None:
            place = self._scope.connection.execute(
                select(CheckRow.performed_at, CheckRow.number).where(
                    CheckRow.shop_id == self._scope.shop_id, CheckRow.id == after
                )
            ).one_or_none()
            if place is None:
                raise UnknownRecord("check", after)
            query = query.where(
                tuple_(CheckRow.performed_at, CheckRow.number)
                < tuple_(literal(place.performed_at, UtcInstant()), place.number)
            )
        return self._fetch(
            query.order_by(CheckRow.performed_at.desc(), CheckRow.number.desc()).limit(limit)
        )

    def every(self) -> Iterator[Check]:
        """All checks that are not voided, in the order in which they were recorded."""
        number = 0
        while True:
            page = self._rows(
                self._all()
                .where(CheckRow.voided_at.is_(None), CheckRow.number > number)
                .order_by(CheckRow.number)
                .limit(_PAGE)
            )
            if not page:
                return
            yield from checks_of(self._scope.connection, self._scope.shop_id, page)
            number = page[-1]["number"]

    def last(self, wrench: str, direction: Direction | None = None) -> Check | None:
        """The latest check of the wrench by the time it was performed, voided ones left out."""
        query = self._all().where(CheckRow.wrench == wrench, CheckRow.voided_at.is_(None))
        if direction is not None:
            query = query.where(CheckRow.direction == direction.value)
        found = self._fetch(
            query.order_by(CheckRow.performed_at.desc(), CheckRow.number.desc()).limit(1)
        )
        return found[0] if found else None

    def same_as(self, keys: Iterable[NaturalKey]) -> dict[NaturalKey, str]:
        """Ids of the stored, not voided checks that have one of these keys."""
        stored: dict[NaturalKey, str] = {}
        wanted = set(keys)
        if not wanted:
            return stored
        span = {
            "shop_id": self._scope.shop_id,
            "first": min(key.performed_at for key in wanted),
            "last": max(key.performed_at for key in wanted),
        }
        for part in _parts({key.wrench for key in wanted}):
            for row in self._scope.connection.execute(_SAME, span | {"wrenches": part}):
                key = NaturalKey(*row[:5])
                if key in wanted:
                    stored[key] = row[5]
        return stored

    def cycle_counts(self, wrench: str) -> CycleCounts:
        """The counts on record for the wrench, voided checks left out."""
        return CycleCounts(
            (at, count)
            for at, count in self._scope.connection.execute(
                _CYCLE_COUNTS, {"shop_id": self._scope.shop_id, "wrench": wrench}
            )
            if count is not None
        )

    def latest(self, wrenches: Collection[str]) -> dict[tuple[str, Direction], datetime]:
        """When the latest check of each of the wrenches and direction was performed, voided ones
        left out.
        """
        return {
            (wrench, Direction(way)): at
            for part in _parts(wrenches)
            for wrench, way, at in self._scope.connection.execute(
                _LATEST, {"shop_id": self._scope.shop_id, "wrenches": part}
            )
        }

    def readings_of(
        self, wrenches: Collection[str]
    ) -> Mapping[str, Mapping[Direction, Sequence[ToJudge]]]:
        """By wrench and direction: every reading of the wrenches, voided checks left out."""
        found: dict[str, Mapping[Direction, Sequence[ToJudge]]] = {}
        for part in _parts(wrenches):
            found |= readings_to_judge(self._scope.connection, self._scope.shop_id, part)
        return found

    def readings_before(self, check: Check, among: int) -> Sequence[PastReading]:
        """The readings of earlier checks in the direction of this one, those of a check in the
        order taken, as far as they are among so many latest checks of its wrench.
        """
        scope = self._scope
        return readings_before(scope.connection, scope.shop_id, check, among)

    def papers(self, among: frozenset[str] | None = None) -> dict[str, CheckPaper]:
        """By id: who measured each check that is not voided.

        among   serials; None: the checks of every wrench
        """
        rows = self._scope.connection.execute(
            select(
                CheckRow.__table__,
                TesterRow.expanded_uncertainty_pct,
                TesterRow.coverage_factor,
            )
            .select_from(CheckRow)
            .outerjoin(
                TesterRow,
                and_(TesterRow.shop_id == CheckRow.shop_id, TesterRow.serial == CheckRow.tester),
            )
            .where(
                CheckRow.shop_id == self._scope.shop_id,
                CheckRow.voided_at.is_(None),
                true() if among is None else CheckRow.wrench.in_(sorted(among)),
            )
        ).mappings()
        papers = {}
        for row in rows:
            card = card_of(row)
            papers[row["id"]] = CheckPaper(
                card=card,
                uncertainty_pct=(
                    card.expanded_uncertainty_pct if card else row["expanded_uncertainty_pct"]
                ),
                coverage_factor=card.coverage_factor if card else row["coverage_factor"],
            )
        return papers

    def void(self, check_id: str, reason: str, at: datetime) -> Check:
        """The check, voided; raises UnknownRecord or AlreadyVoided."""
        check = self.get(check_id)
        if check.void is not None:
            raise AlreadyVoided("check", check_id)
        void = {"voided_at": at, "void_reason": reason}
        self._scope.connection.execute(
            update(CheckRow)
            .where(CheckRow.shop_id == self._scope.shop_id, CheckRow.id == check_id)
            .values(**void)
        )
        self._chain_voids([{"id": check_id, **void}])
        self._scope.evidence_changes()
        return replace(check, void=Void(at=at, reason=reason))

    def _chain(
        self,
        rows: Sequence[Mapping[str, Any]],
        points: Sequence[Sequence[PointTuple]],
        readings: Sequence[Sequence[ReadingTuple]],
    ) -> None:
        Ledger(self._scope).append(
            EntryKind.CHECK,
            (
                (
                    row["id"],
                    content.check(
                        row, (each[2:] for each in of_points), (each[2:] for each in of_readings)
                    ),
                )
                for row, of_points, of_readings in zip(rows, points, readings, strict=True)
            ),
        )
        # A check that comes voided is chained as one that was voided later is.
        self._chain_voids([row for row in rows if row["voided_at"] is not None])

    def _chain_voids(self, rows: Sequence[Mapping[str, Any]]) -> None:
        Ledger(self._scope).append(
            EntryKind.CHECK_VOID, ((row["id"], content.void(row)) for row in rows)
        )

    def _all(self) -> Select[Any]:
        return select(CheckRow.__table__).where(CheckRow.shop_id == self._scope.shop_id)

    def _rows(self, query: Select[Any]) -> Sequence[RowMapping]:
        return self._scope.connection.execute(query).mappings().all()

    def _fetch(self, query: Select[Any]) -> tuple[Check, ...]:
        return checks_of(self._scope.connection, self._scope.shop_id, self._rows(query))

    def _refuse_duplicates(self, new: Sequence[Check]) -> None:
        counting = [(NaturalKey.of(check), check) for check in new if check.void is None]
        seen = self.same_as(key for key, _ in counting)
        for key, check in counting:
            if key in seen:
                raise DuplicateRecord("check", check.id, seen[key])
            seen[key] = check.id

    def _refuse_unknown(self, new: Sequence[Check]) -> None:
        ids = {check.id for check in new}
        for kind, column, shop_column, keys in (
            ("wrench", WrenchRow.serial, WrenchRow.shop_id, {check.wrench for check in new}),
            ("tester", TesterRow.serial, TesterRow.shop_id, {check.tester for check in new}),
            ("check", CheckRow.id, CheckRow.shop_id, {check.replaces for check in new} - ids),
        ):
            seen = self._scope.found
            wanted = [key for key in keys if key is not None and (kind, key) not in seen]
            for part in _parts(wanted):
                known = set(
                    self._scope.connection.execute(
                        select(column).where(shop_column == self._scope.shop_id, column.in_(part))
                    ).scalars()
                )
                for key in part:
                    if key not in known:
                        raise UnknownRecord(kind, key)


def _parts(keys: Iterable[str]) -> Iterator[list[str]]:
    """The keys in order, as many at a time as one question names."""
    in_order = sorted(keys)
    for start in range(0, len(in_order), _PAGE):
        yield in_order[start : start + _PAGE]
