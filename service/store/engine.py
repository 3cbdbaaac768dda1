"""SQLite opened so that an acknowledged commit survives a power cut.

WAL with synchronous=FULL syncs the log at each commit; with NORMAL, commits already acknowledged
can be lost. The names of the database and of its log must be on the disk as well: the directory is
synced once both exist, before anything is acknowledged.

Readers and the writer have connections of their own. The writer's pool holds one connection, so
that one writer works at a time in a process; BEGIN IMMEDIATE keeps other processes out. A reader's
BEGIN is deferred: it sees one snapshot and never waits for a writer.
"""

import os
import sqlite3
from pathlib import Path
from typing import Final
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.pool import ConnectionPoolEntry, QueuePool

from service.store.errors import StoreUnusable

BUSY_TIMEOUT_S: Final = 10.0

PRAGMAS: Final = (
    "PRAGMA synchronous=FULL",
    "PRAGMA fullfsync=ON",  # where a plain fsync stops at the drive's cache; no effect elsewhere
    "PRAGMA foreign_keys=ON",
    "PRAGMA recursive_triggers=ON",  # or INSERT OR REPLACE would delete past the triggers
    f"PRAGMA busy_timeout={int(BUSY_TIMEOUT_S * 1000)}",
)


def open_writer(path: Path) -> Engine:
    """An engine of one connection whose transactions hold the write lock from their beginning."""
    engine = create_engine(
        _url(path),
        poolclass=QueuePool,
        pool_size=1,
        max_overflow=0,
        pool_timeout=BUSY_TIMEOUT_S,
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
        mode = _set_up(connection, "PRAGMA journal_mode=WAL")
        if mode != "wal":
            raise StoreUnusable(
                f"the file system of {path} cannot hold a write-ahead log (journal mode {mode!r}); "
                "put the store on a local disk"
            )

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def open_readers(path: Path) -> Engine:
    """An engine whose connections refuse to write."""
    engine = create_engine(_url(path), poolclass=QueuePool, pool_size=4, max_overflow=-1)

    @event.listens_for(engine, "connect")
    def _prepare(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
        _set_up(connection, "PRAGMA query_only=ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN DEFERRED")

    return engine


def connect_for_reading(path: Path) -> sqlite3.Connection:
    """A connection of the driver's own for any one thread at a time, which waits for nobody."""
    connection = sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode=rw",
        uri=True,
        isolation_level=None,
        check_same_thread=False,
        timeout=0,
    )
    connection.execute("PRAGMA query_only=ON")
    return connection


def sync_directory(path: Path) -> None:
    """Put the names in the directory of `path` on the disk, where the system has a way to."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(path.resolve().parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _url(path: Path) -> URL:
    # mode=rw: a store that was moved away is an error, not a new and empty store in its place.
    place = f"file:{quote(str(path.absolute()))}"
    return URL.create("sqlite+pysqlite", database=place, query={"mode": "rw", "uri": "true"})


def _set_up(connection: DBAPIConnection, last: str) -> object:
    # The driver would begin and commit on its own otherwise, and never BEGIN IMMEDIATE.
    connection.isolation_level = None
    cursor = connection.cursor()
    try:
        for pragma in PRAGMAS:
            cursor.execute(pragma)
        cursor.execute(last)
        row = cursor.fetchone()
        return row[0] if row else None
    finally:
        cursor.close()
