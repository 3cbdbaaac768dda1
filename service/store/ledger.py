"""The ledger of one shop: a chain in which every record has its entry, in the order of recording.

The repositories write it in the transaction of what it tells, so that no road leads past it. On
SQLite one writer works at a time, elsewhere the shop's row is locked: no two entries take the same
place.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Select, bindparam, func, select

from service.store.ledger_form import GENESIS, canonical, entry_hash, microseconds, sha256
from service.store.ledger_tables import LedgerRow
from service.store.scope import Scope
from service.store.whole_rows import WholeRows


class EntryKind(StrEnum):
    """What an entry chains; a void is an entry of its own, since the record itself stays."""

    WRENCH = "wrench"
    TESTER = "tester"
    POLICY = "policy"
    CHECK = "check"
    CHECK_VOID = "check_void"
    ANGLE_CHECK = "angle_check"
    ANGLE_CHECK_VOID = "angle_check_void"
    PULL = "pull"
    PULL_VOID = "pull_void"
    EVENT = "event"
    BOOKING = "booking"

    @property
    def keeps_content(self) -> bool:
        """Whether the record changes, so that each version is kept in the ledger itself."""
        return self in (EntryKind.WRENCH, EntryKind.TESTER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One link of the chain; the words are those of `service.store.ledger_form`.

    record    id of what is chained: of a wrench or tester its serial, of a policy its version, of
              a line of the trail its number, of a booking its id and version
    at        when the entry was written, by the clock of the machine
    content   canonical text; None where the record itself never changes
    """

    number: int
    kind: str
    record: str
    at: datetime
    content: str | None
    digest: str
    previous: str
    hash: str

    def expected_hash(self) -> str:
        """The hash that its other fields make."""
        return entry_hash(
            number=self.number,
            kind=self.kind,
            record=self.record,
            at_us=microseconds(self.at),
            digest=self.digest,
            previous=self.previous,
        )

    def follows(self, before: "Entry | None") -> bool:
        """Whether it fits its own hash and the entry before it; None: it is the first."""
        place = (before.number, before.hash) if before else (0, GENESIS)
        return (self.number - 1, self.previous) == place and self.hash == self.expected_hash()


_END: Final = (
    select(LedgerRow.number, LedgerRow.hash)
    .where(LedgerRow.shop_id == bindparam("shop_id"))
    .order_by(LedgerRow.number.desc())
    .limit(1)
)
_ROWS: Final = WholeRows(LedgerRow)


class Ledger:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def append(self, kind: EntryKind, contents: Iterable[tuple[str, object]]) -> None:
        """Chain these records, each with its content, in their order."""
        number, previous = self._end()
        now = datetime.now(UTC)
        at_us = microseconds(now)
        rows = []
        # One content at a time: those of a large file together would be larger than the file.
        for number, (record, content) in enumerate(contents, start=number + 1):  # noqa: B020
            text = canonical(content)
            digest = sha256(text)
            own = entry_hash(
                number=number,
                kind=kind,
                record=record,
                at_us=at_us,
                digest=digest,
                previous=previous,
            )
            rows.append(
                {
                    "shop_id": self._scope.shop_id,
                    "number": number,
                    "kind": kind.value,
                    "record": record,
                    "at": now,
                    "content": text if kind.keeps_content else None,
                    "digest": digest,
                    "previous": previous,
                    "hash": own,
                }
            )
            previous = own
        _ROWS.insert_mappings(self._scope.connection, rows)
        self._scope.chained = number, previous
        self._scope.recorded[kind.value] += len(rows)

    def _end(self) -> tuple[int, str]:
        """Number and hash of the last entry."""
        if self._scope.chained is not None:
            return self._scope.chained
        row = self._scope.connection.execute(_END, {"shop_id": self._scope.shop_id}).one_or_none()
        return (0, GENESIS) if row is None else (row.number, row.hash)

    def head(self) -> Entry | None:
        """The last entry; None in a shop in which nothing was recorded yet."""
        found = self._entries(
            select(LedgerRow.__table__)
            .where(LedgerRow.shop_id == self._scope.shop_id)
            .order_by(LedgerRow.number.desc())
            .limit(1)
        )
        return found[0] if found else None

    def entry(self, number: int) -> Entry | None:
        found = self.page(number - 1, 1)
        return found[0] if found and found[0].number == number else None

    def page(self, after: int, limit: int) -> Sequence[Entry]:
        """At most `limit` entries numbered above `after`, in the order of the chain."""
        return self._entries(
            select(LedgerRow.__table__)
            .where(LedgerRow.shop_id == self._scope.shop_id, LedgerRow.number > after)
            .order_by(LedgerRow.number)
            .limit(limit)
        )

    def number_of(self, head: str) -> int | None:
        """The number of the entry with this hash; None when the chain has none."""
        return self._scope.connection.execute(
            select(LedgerRow.number).where(
                LedgerRow.shop_id == self._scope.shop_id, LedgerRow.hash == head
            )
        ).scalar()

    def distinct(self) -> dict[EntryKind, int]:
        """How many records of each kind have an entry."""
        return {
            EntryKind(kind): count
            for kind, count in self._scope.connection.execute(
                select(LedgerRow.kind, func.count(LedgerRow.record.distinct()))
                .where(LedgerRow.shop_id == self._scope.shop_id)
                .group_by(LedgerRow.kind)
            )
        }

    def newest(self) -> dict[tuple[str, str], int]:
        """By kind and record: the number of the last version of what changes."""
        kinds = [kind.value for kind in EntryKind if kind.keeps_content]
        return {
            (kind, record): number
            for kind, record, number in self._scope.connection.execute(
                select(LedgerRow.kind, LedgerRow.record, func.max(LedgerRow.number))
                .where(LedgerRow.shop_id == self._scope.shop_id, LedgerRow.kind.in_(kinds))
                .group_by(LedgerRow.kind, LedgerRow.record)
            )
        }

    def _entries(self, query: Select[Any]) -> Sequence[Entry]:
        return [
            Entry(
                number=row["number"],
                kind=row["kind"],
                record=row["record"],
                at=row["at"],
                content=row["content"],
                digest=row["digest"],
                previous=row["previous"],
                hash=row["hash"],
            )
            for row in self._scope.connection.execute(query).mappings()
        ]
