"""A store copied while it is in use, and brought back.

The copy is one snapshot by SQLite's own online backup: writers go on, and every check that was
acknowledged before it began is in it. A file is given its name only when it is whole, checked and
on the disk, so that whatever bears the name can be relied on; a file that is there is never
written over.
"""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from service.store.engine import sync_directory
from service.store.errors import StoreUnusable

_NOT_YET: Final = ".partial"


def back_up(source: Path, target: Path) -> None:
    """Copy the store at `source`, in use or not, to the new file `target`.

    Raises StoreUnusable when there is no store at `source`, when it is damaged, or when `target` is
    there already.
    """
    _copy(source, target, prepare=lambda _: None)


def restore(source: Path, target: Path, *, prepare: Callable[[Path], None]) -> None:
    """Make the store `target` from the backup `source`.

    prepare   is given the copy before it bears its name; what it raises leaves nothing behind

    Raises StoreUnusable as `back_up` does, and when a log of another store lies beside `target`.
    """
    for leftover in (Path(f"{target}-wal"), Path(f"{target}-shm")):
        if leftover.exists():
            raise StoreUnusable(
                f"{leftover} is there, the log of a store that was at {target}; put it back "
                "together with its store, or move it away first"
            )
    _copy(source, target, prepare=prepare)


def _copy(source: Path, target: Path, *, prepare: Callable[[Path], None]) -> None:
    if not source.is_file():
        raise StoreUnusable(f"there is no file {source}")
    if not target.parent.is_dir():
        raise StoreUnusable(f"there is no directory {target.parent} to write to")
    if target.exists():
        raise StoreUnusable(f"{target} is there already, and is never written over")
    with _not_yet(target) as partial:
        try:
            with (
                closing(sqlite3.connect(_read_only(source), uri=True)) as stored,
                closing(sqlite3.connect(partial)) as copy,
            ):
                stored.backup(copy)
                _require_whole(copy, source)
            prepare(partial)
            with closing(sqlite3.connect(partial)) as copy:
                copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        except sqlite3.DatabaseError as error:
            raise StoreUnusable(f"{source} cannot be read as a store: {error}") from error
        _sync(partial)
        # Unlike a rename, a link never takes the place of a file that came in the meantime.
        os.link(partial, target)
    sync_directory(target)


@contextmanager
def _not_yet(target: Path) -> Iterator[Path]:
    """A file beside `target` for what is not whole yet; gone when the block ends."""
    partial = Path(f"{target}{_NOT_YET}")
    if partial.exists():
        raise StoreUnusable(f"{partial} is there, left by a copy that was broken off; delete it")
    try:
        yield partial
    finally:
        for file in (partial, Path(f"{partial}-wal"), Path(f"{partial}-shm")):
            file.unlink(missing_ok=True)


def _require_whole(copy: sqlite3.Connection, source: Path) -> None:
    found = [row[0] for row in copy.execute("PRAGMA integrity_check(3)")]
    if found != ["ok"]:
        raise StoreUnusable(f"{source} is damaged: {'; '.join(found)}")
    orphans = copy.execute("PRAGMA foreign_key_check").fetchmany(3)
    if orphans:
        raise StoreUnusable(
            f"{source} is damaged: rows of {sorted({row[0] for row in orphans})} point nowhere"
        )


def _read_only(path: Path) -> str:
    return f"{path.resolve().as_uri()}?mode=ro"


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
