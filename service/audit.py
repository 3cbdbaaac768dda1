"""Whether a shop's records are what they were when they were recorded.

The chain is walked from its first entry: numbers without gaps, each entry naming the hash of the
one before, each hash and each digest worked out anew from what is stored. Then the records are
counted: none may be there without its entry.

An alteration of a record, or of an entry, breaks it. Who can write the file and works out every
hash from there on leaves a chain that fits; only a head that was noted elsewhere tells then, since
it is no longer in the chain.
"""

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from service.store import ShopStore, Store, StoreUnusable
from service.store.ledger import Entry, EntryKind
from service.store.ledger_form import GENESIS, canonical, sha256

_PAGE: Final = 500
_KINDS: Final = frozenset(kind.value for kind in EntryKind)

# Parts of the contents, by the table that they are rows of.
_PARTS: Final = ("points", "readings", "angle_readings", "quarantines")


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """What does not fit, in words.

    number   of the first entry that does not fit; None: something has no entry, or a head is gone
    """

    number: int | None
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """What verifying a shop found.

    entries     how many fit, from the first one on
    head        the last entry; None in an empty chain
    noted_at    number of the entry whose hash was noted before; None: none was asked for, or gone
    misfit      None: everything fits
    """

    entries: int
    head: Entry | None
    noted_at: int | None
    misfit: Misfit | None


class _DoesNotFit(Exception):  # noqa: N818 - a finding
    def __init__(self, number: int | None, what: str) -> None:
        super().__init__(what)
        self.misfit = Misfit(number=number, what=what)


def verify(records: ShopStore, *, since_head: str | None = None) -> Audit:
    """Everything of one shop, worked out anew from what is stored.

    since_head   a head noted before, which must still be in the chain
    """
    walk = _Walk(records)
    misfit = None
    try:
        walk.chain()
        walk.completeness()
    except _DoesNotFit as found:
        misfit = found.misfit
    noted_at = None
    if since_head is not None:
        noted_at = records.ledger.number_of(since_head)
        if noted_at is None and misfit is None:
            misfit = Misfit(
                number=None,
                what=f"no entry has the hash {since_head}: entries after it, or all of them, were "
                "taken away or written anew",
            )
    return Audit(entries=walk.entries, head=walk.head, noted_at=noted_at, misfit=misfit)


def require_unaltered(path: Path) -> None:
    """Bring the store at `path` to this schema, and verify every shop of it.

    Raises StoreUnusable with what does not fit.
    """
    with Store.open(path, migrate=True) as store:
        for key in store.shops():
            with store.read(key) as records:
                misfit = verify(records).misfit
            if misfit is not None:
                raise StoreUnusable(
                    f"the records of shop {key} were altered: {misfit.what}; "
                    "`wrench-drift audit verify` says the same of the file itself"
                )


class _Walk:
    def __init__(self, records: ShopStore) -> None:
        self._records = records
        self._newest = records.ledger.newest()
        self._seen: Counter[EntryKind] = Counter()
        self._parts: Counter[str] = Counter()
        self.entries = 0
        self.head: Entry | None = None

    def chain(self) -> None:
        """Raises _DoesNotFit with the first entry that does not fit."""
        while page := self._page(self.entries):
            stored = self._stored(page)
            for entry in page:
                self._link(entry)
                self._content(entry, stored)
                self.head = entry
                self.entries += 1

    def completeness(self) -> None:
        """Raises _DoesNotFit when something is stored, or chained, that should not be there."""
        chained = Counter(self._records.ledger.distinct())
        for kind, count in chained.items():
            if not kind.keeps_content and count != self._seen[kind]:
                raise _DoesNotFit(None, f"a record of kind {kind} has more than one entry")
        for kind, count in self._records.contents.counts().items():
            if count != chained[kind]:
                raise _DoesNotFit(
                    None,
                    f"{count} records of kind {kind} are stored, and {chained[kind]} have an entry",
                )
        for table, count in self._records.contents.part_counts().items():
            if count != self._parts[table]:
                raise _DoesNotFit(
                    None,
                    f"{count} rows are stored in {table}, and {self._parts[table]} belong to a "
                    "record that has an entry",
                )

    def _page(self, after: int) -> Sequence[Entry]:
        try:
            return self._records.ledger.page(after, _PAGE)
        except (TypeError, ValueError):
            # One of them cannot be read as what it should be: those before it can.
            try:
                return self._records.ledger.page(after, 1)
            except (TypeError, ValueError) as error:
                raise _DoesNotFit(after + 1, f"it cannot be read: {error}") from error

    def _stored(self, page: Sequence[Entry]) -> dict[tuple[EntryKind, str], Any]:
        """What is stored of these entries; an error in the place of what cannot be read."""
        wanted: dict[EntryKind, list[str]] = {}
        for entry in page:
            if entry.kind in _KINDS:
                wanted.setdefault(EntryKind(entry.kind), []).append(entry.record)
        return {
            (kind, record): content
            for kind, ids in wanted.items()
            for record, content in self._contents(kind, ids)
        }

    def _contents(self, kind: EntryKind, ids: Sequence[str]) -> Iterator[tuple[str, Any]]:
        try:
            yield from self._records.contents.of(kind, ids).items()
        except (TypeError, ValueError) as error:
            if len(ids) == 1:
                yield ids[0], error
                return
            for record in ids:
                yield from self._contents(kind, [record])

    def _link(self, entry: Entry) -> None:
        number = self.entries + 1
        if entry.number != number:
            raise _DoesNotFit(number, f"it is missing: entry {entry.number} stands in its place")
        previous = self.head.hash if self.head else GENESIS
        if entry.previous != previous:
            raise _DoesNotFit(
                number,
                f"it names {entry.previous} as the hash of the entry before, which is {previous}",
            )
        expected = entry.expected_hash()
        if entry.hash != expected:
            raise _DoesNotFit(
                number, f"its hash is written as {entry.hash}, and its fields make {expected}"
            )

    def _content(self, entry: Entry, stored: dict[tuple[EntryKind, str], Any]) -> None:
        what = f"{entry.kind.replace('_', ' ')} {entry.record}"
        if entry.kind not in _KINDS:
            raise _DoesNotFit(entry.number, f"nothing is known of {what}")
        kind = EntryKind(entry.kind)
        content = stored.get((kind, entry.record))
        self._seen[kind] += 1
        if kind.keeps_content != (entry.content is not None):
            raise _DoesNotFit(entry.number, f"the content that it keeps of {what} is out of place")
        if entry.content is not None:
            _require_digest(entry, sha256(entry.content), f"the version of {what} kept in it")
            if self._newest[kind, entry.record] != entry.number:
                return
        if content is None:
            raise _DoesNotFit(entry.number, f"{what} is not stored any more")
        if isinstance(content, Exception):
            raise _DoesNotFit(entry.number, f"{what} cannot be read: {content}")
        if entry.content is not None:
            kept = json.loads(entry.content)
            if kept != content:
                raise _DoesNotFit(entry.number, f"{what} differs in {_differing(kept, content)}")
        else:
            _require_digest(entry, sha256(canonical(content)), f"{what} as it is stored")
        for table in _PARTS:
            self._parts[table] += len(content.get(table, ()))


def _require_digest(entry: Entry, digest: str, what: str) -> None:
    if digest != entry.digest:
        raise _DoesNotFit(
            entry.number, f"{what} has the digest {digest}, and was recorded with {entry.digest}"
        )


def _differing(kept: dict[str, Any], content: dict[str, Any]) -> str:
    """Which fields differ, with both values."""
    found = []
    for table, was in kept.items():
        now = content[table]
        if isinstance(was, dict) and isinstance(now, dict):
            found += [
                f"{name} ({was.get(name)!r} when recorded, {now.get(name)!r} now)"
                for name in sorted(was.keys() | now.keys())
                if was.get(name) != now.get(name)
            ]
        elif was != now:
            found.append(f"{table} ({was!r} when recorded, {now!r} now)")
    return ", ".join(found)
