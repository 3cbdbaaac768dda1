"""Everything that an assessor needs of one shop, in files that anybody can read and check.

Each file is written as the rows come, from one snapshot. The whole bears its name only when it is
complete and on the disk; what is there already is never written over.
"""

import csv
import hashlib
import io
import json
import os
import shutil
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any, Final

from service.audit import Audit, verify
from service.auditor_readme import readme
from service.methods import VERSIONS
from service.store import ShopStore, StoreUnusable
from service.store.engine import sync_directory
from service.store.ledger import Entry, EntryKind
from service.store.ledger_form import GENESIS, canonical, microseconds
from service.store.tables import EPOCH

FORM: Final = "wrench-drift audit 1"
MANIFEST: Final = "manifest.json"
_PAGE: Final = 500
_NOT_YET: Final = ".partial"
_KINDS: Final = frozenset(kind.value for kind in EntryKind)
_VERSIONED: Final = {EntryKind.WRENCH: "wrenches", EntryKind.TESTER: "testers"}

_Open = Callable[[str], AbstractContextManager[IO[bytes]]]


@dataclass(frozen=True, slots=True)
class Exported:
    """
    found            what verifying the shop in the same snapshot found
    manifest_sha256  to be noted elsewhere, as the head of the chain
    """

    found: Audit
    manifest_sha256: str


def export_for_auditor(target: Path, records: ShopStore, now: datetime) -> Exported:
    """The shop's records as a folder, or as a ZIP file where the name ends so.

    records   in one transaction, so that all of it is one state

    Raises StoreUnusable when `target` is there already or cannot be written.
    """
    partial = Path(f"{target}{_NOT_YET}")
    for taken in (target, partial):
        if taken.exists():
            raise StoreUnusable(f"{taken} is there already, and is never written over")
    into = _zip if target.suffix.lower() == ".zip" else _folder
    try:
        with into(partial) as opened:
            exported = _write(opened, records, now)
        partial.rename(target)
        sync_directory(target)
    except OSError as error:
        raise StoreUnusable(f"{target} could not be written: {error}") from error
    except (TypeError, ValueError) as error:
        raise StoreUnusable(
            f"the records cannot be read: {error}; `wrench-drift audit verify` says which"
        ) from error
    finally:
        if partial.is_dir():
            shutil.rmtree(partial)
        else:
            partial.unlink(missing_ok=True)
    return exported


@contextmanager
def _folder(path: Path) -> Iterator[_Open]:
    @contextmanager
    def opened(name: str) -> Iterator[IO[bytes]]:
        with (path / name).open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())

    path.mkdir()
    yield opened
    sync_directory(path / "in it")


@contextmanager
def _zip(path: Path) -> Iterator[_Open]:
    with path.open("xb") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            yield lambda name: archive.open(name, "w", force_zip64=True)
        file.flush()
        os.fsync(file.fileno())


class _Files:
    """Writes files one after the other, and keeps what the manifest says of them."""

    def __init__(self, opened: _Open) -> None:
        self._opened = opened
        self.told: dict[str, dict[str, Any]] = {}

    def write(self, name: str, lines: Iterable[str], *, header: bool = False) -> None:
        digest, size, rows = hashlib.sha256(), 0, -1 if header else 0
        with self._opened(name) as file:
            for line in lines:
                data = line.encode()
                file.write(data)
                digest.update(data)
                size += len(data)
                rows += 1
        self.told[name] = {"bytes": size, "rows": rows, "sha256": digest.hexdigest()}

    def write_table(
        self, name: str, columns: Sequence[str], rows: Iterable[Sequence[object]]
    ) -> None:
        self.write(f"{name}.csv", _csv(columns, rows), header=True)


def _write(opened: _Open, records: ShopStore, now: datetime) -> Exported:
    found = verify(records)
    release, made_at = version("wrench-drift"), _cell(now)
    files = _Files(opened)
    tables = records.auditor_tables
    for name in tables.names():
        files.write_table(name, *tables.rows(name))
    for kind, table in _VERSIONED.items():
        instants = tables.instants(table)
        files.write_table(
            f"{kind.value}_versions",
            ("entry", "entered_at", *instants),
            _versions(records, kind, table, instants),
        )
    files.write("ledger.ndjson", _ledger_lines(records))
    about = readme(shop=records.key, release=release, made_at=made_at, verified=_verified(found))
    files.write("README.txt", about.splitlines(keepends=True))
    head = records.ledger.head()
    manifest = {
        "form": FORM,
        "shop": records.key,
        "made_at": made_at,
        "program": {"name": "wrench-drift", "version": release},
        "methods": VERSIONS,
        "head": [head.number, head.hash] if head else [0, GENESIS],
        "fits": found.misfit is None,
        "files": files.told,
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    with opened(MANIFEST) as file:
        file.write(text.encode())
    return Exported(found, hashlib.sha256(text.encode()).hexdigest())


def _verified(found: Audit) -> str:
    if found.misfit is None:
        return (
            f"When this was written, the program worked out all {found.entries} entries anew from\n"
            "the store, and every one fitted."
        )
    place = "" if found.misfit.number is None else f"entry {found.misfit.number}: "
    return (
        "THE RECORDS WERE ALTERED before this was written. The program worked out every entry\n"
        f"anew from the store, and found: {place}{found.misfit.what}."
    )


def _csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer)  # CRLF, quotes where they are needed: RFC 4180
    writer.writerow(columns)
    for row in rows:
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()
        writer.writerow(map(_cell, row))
    yield buffer.getvalue()


def _cell(value: object) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case datetime():
            return value.isoformat().replace("+00:00", "Z")
        case date():
            return value.isoformat()
        case float():
            return repr(value + 0.0).removesuffix(".0")  # a negative zero is zero
        case dict() | list():
            return json.dumps(value, ensure_ascii=False)
        case _:
            return str(value)


def _entries(records: ShopStore) -> Iterator[Entry]:
    after = 0
    while page := records.ledger.page(after, _PAGE):
        yield from page
        after = page[-1].number


def _versions(
    records: ShopStore, kind: EntryKind, table: str, instants: dict[str, bool]
) -> Iterator[Sequence[object]]:
    """Every version of the records of this kind, from what the ledger keeps of them."""
    for entry in _entries(records):
        if entry.kind == kind and entry.content is not None:
            kept = json.loads(entry.content)[table]
            row = [kept.get(name) for name in instants]
            for place, is_instant in enumerate(instants.values()):
                if is_instant and row[place] is not None:
                    row[place] = EPOCH + timedelta(microseconds=row[place])
            yield entry.number, entry.at, *row


def _ledger_lines(records: ShopStore) -> Iterator[str]:
    """Entry by entry, each with the canonical text of its content; null: it is not there."""
    after = 0
    while page := records.ledger.page(after, _PAGE):
        stored = _stored(records, page)
        for entry in page:
            content = entry.content
            if content is None and (found := stored.get((entry.kind, entry.record))) is not None:
                content = canonical(found)
            line = {
                "number": entry.number,
                "kind": entry.kind,
                "record": entry.record,
                "at": microseconds(entry.at),
                "digest": entry.digest,
                "previous": entry.previous,
                "content": content,
                "hash": entry.hash,
            }
            yield json.dumps(line) + "\n"
        after = page[-1].number


def _stored(records: ShopStore, page: Sequence[Entry]) -> dict[tuple[str, str], Any]:
    wanted: dict[EntryKind, list[str]] = {}
    for entry in page:
        if entry.content is None and entry.kind in _KINDS:
            wanted.setdefault(EntryKind(entry.kind), []).append(entry.record)
    return {
        (kind.value, record): content
        for kind, ids in wanted.items()
        for record, content in records.contents.of(kind, ids).items()
    }
