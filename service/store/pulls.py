"""The recorded pulls of one shop. They are added and voided, never edited and never deleted."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, insert, literal, select, tuple_, update

from analysis.vocabulary import Direction
from service.records import Pull, Void
from service.store import ledger_content as content
from service.store.errors import AlreadyVoided, DuplicateRecord, UnknownRecord
from service.store.ledger import EntryKind, Ledger
from service.store.pull_rows import natural_key, pull_columns, pull_of
from service.store.scope import Scope
from service.store.tables import CheckRow, PullRow, UtcInstant

_PAGE = 500


class Pulls:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add_many(self, pulls: Iterable[Pull]) -> int:
        """How many pulls were stored: all of them, or the transaction fails.

        Their wrenches are known to be there. Raises DuplicateRecord for a pull whose natural key is
        stored, or twice among `pulls`.
        """
        new = list(pulls)
        if not new:
            return 0
        self._refuse_duplicates(new)
        shop_id, connection = self._scope.shop_id, self._scope.connection
        last = connection.execute(
            select(func.max(PullRow.number)).where(PullRow.shop_id == shop_id)
        ).scalar_one()
        rows = [
            pull_columns(shop_id, number, pull)
            for number, pull in enumerate(new, start=1 + (last or 0))
        ]
        connection.execute(insert(PullRow), rows)
        Ledger(self._scope).append(EntryKind.PULL, ((row["id"], content.pull(row)) for row in rows))
        self._chain_voids([row for row in rows if row["voided_at"] is not None])
        self._changed(new)
        return len(new)

    def get(self, pull_id: str) -> Pull:
        """Raises UnknownRecord."""
        found = self._fetch(self._all().where(PullRow.id == pull_id))
        if not found:
            raise UnknownRecord("pull", pull_id)
        return found[0]

    def list(
        self,
        wrench: str,
        after: str | None = None,
        limit: int = 100,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        direction: Direction | None = None,
        job: str | None = None,
        include_voided: bool = False,
    ) -> tuple[Pull, ...]:
        """At most `limit` pulls of a wrench, newest first: those that follow the pull `after`.

        since, until   performed at or after, and before

        Raises UnknownRecord when `after` is no pull of the shop.
        """
        query = self._of_wrench(wrench, since, until, direction)
        if job is not None:
            query = query.where(PullRow.job == job)
        if not include_voided:
            query = query.where(PullRow.voided_at.is_(None))
        if after is not None:
            place = self._scope.connection.execute(
                select(PullRow.performed_at, PullRow.number).where(
                    PullRow.shop_id == self._scope.shop_id, PullRow.id == after
                )
            ).one_or_none()
            if place is None:
                raise UnknownRecord("pull", after)
            query = query.where(
                tuple_(PullRow.performed_at, PullRow.number)
                < tuple_(literal(place.performed_at, UtcInstant()), place.number)
            )
        return self._fetch(
            query.order_by(PullRow.performed_at.desc(), PullRow.number.desc()).limit(limit)
        )

    def during(
        self, wrench: str, direction: Direction, since: datetime, until: datetime
    ) -> tuple[Pull, ...]:
        """Every pull of a wrench in one direction that counts, oldest first.

        since, until   performed after, and up to
        """
        return self._fetch(
            self._all()
            .where(
                PullRow.wrench == wrench,
                PullRow.direction == direction.value,
                PullRow.performed_at > since,
                PullRow.performed_at <= until,
                PullRow.voided_at.is_(None),
            )
            .order_by(PullRow.performed_at, PullRow.number)
        )

    def every(self) -> Iterator[Pull]:
        """All pulls that are not voided, in the order in which they were recorded."""
        number = 0
        while page := (
            self._scope.connection.execute(
                self._all()
                .where(PullRow.voided_at.is_(None), PullRow.number > number)
                .order_by(PullRow.number)
                .limit(_PAGE)
            )
            .mappings()
            .all()
        ):
            yield from map(pull_of, page)
            number = page[-1]["number"]

    def same_as(self, wrench: str, keys: Iterable[str]) -> dict[str, Pull]:
        """The stored, not voided pulls of a wrench that have one of these natural keys."""
        wanted = sorted(set(keys))
        found: dict[str, Pull] = {}
        for start in range(0, len(wanted), _PAGE):
            for pull in self._fetch(
                self._all().where(
                    PullRow.wrench == wrench,
                    PullRow.natural_key.in_(wanted[start : start + _PAGE]),
                    PullRow.voided_at.is_(None),
                )
            ):
                found[natural_key(pull)] = pull
        return found

    def void(self, pull_id: str, reason: str, at: datetime) -> Pull:
        """The pull, voided; raises UnknownRecord or AlreadyVoided."""
        pull = self.get(pull_id)
        if pull.void is not None:
            raise AlreadyVoided("pull", pull_id)
        void = {"voided_at": at, "void_reason": reason}
        self._scope.connection.execute(
            update(PullRow)
            .where(PullRow.shop_id == self._scope.shop_id, PullRow.id == pull_id)
            .values(**void)
        )
        self._chain_voids([{"id": pull_id, **void}])
        self._changed([pull])
        return replace(pull, void=Void(at=at, reason=reason))

    def _chain_voids(self, rows: Sequence[Mapping[str, Any]]) -> None:
        Ledger(self._scope).append(
            EntryKind.PULL_VOID, ((row["id"], content.void(row)) for row in rows)
        )

    def _all(self) -> Select[Any]:
        return select(PullRow.__table__).where(PullRow.shop_id == self._scope.shop_id)

    def _of_wrench(
        self,
        wrench: str,
        since: datetime | None,
        until: datetime | None,
        direction: Direction | None,
    ) -> Select[Any]:
        query = self._all().where(PullRow.wrench == wrench)
        if since is not None:
            query = query.where(PullRow.performed_at >= since)
        if until is not None:
            query = query.where(PullRow.performed_at < until)
        if direction is not None:
            query = query.where(PullRow.direction == direction.value)
        return query

    def _fetch(self, query: Select[Any]) -> tuple[Pull, ...]:
        return tuple(map(pull_of, self._scope.connection.execute(query).mappings()))

    def _refuse_duplicates(self, new: Sequence[Pull]) -> None:
        by_wrench: dict[str, dict[str, Pull]] = {}
        for pull in new:
            key = natural_key(pull)
            seen = by_wrench.setdefault(pull.wrench, {})
            if key in seen:
                raise DuplicateRecord("pull", pull.id, seen[key].id)
            seen[key] = pull
        for wrench, sent in by_wrench.items():
            for key, stored in self.same_as(wrench, sent).items():
                raise DuplicateRecord("pull", sent[key].id, stored.id)

    def _changed(self, pulls: Sequence[Pull]) -> None:
        self._scope.pulls_change()
        if self._reach_a_check_without_count(pulls):
            self._scope.evidence_changes()

    def _reach_a_check_without_count(self, pulls: Sequence[Pull]) -> bool:
        """Whether a check takes its count of cycles from pulls, these among them.

        Only then does work change the evidence: pulls recorded as they are made come after every
        check, and leave the fitted fleet as it stands.
        """
        first: dict[str, datetime] = {}
        for pull in pulls:
            first[pull.wrench] = min(pull.performed_at, first.get(pull.wrench, pull.performed_at))
        serials = sorted(first)
        for start in range(0, len(serials), _PAGE):
            part = serials[start : start + _PAGE]
            for wrench, last_check in self._scope.connection.execute(
                select(CheckRow.wrench, func.max(CheckRow.performed_at))
                .where(
                    CheckRow.shop_id == self._scope.shop_id,
                    CheckRow.wrench.in_(part),
                    CheckRow.voided_at.is_(None),
                )
                .group_by(CheckRow.wrench)
                .having(func.count() > func.count(CheckRow.cycle_count))
            ):
                if first[wrench] <= last_check:
                    return True
        return False
