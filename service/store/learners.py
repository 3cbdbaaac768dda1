"""One process of many beside a store on SQLite, known by a lock that ends with it.

An empty database beside the store is held by a transaction that excludes all others: the system
takes the lock away with the process, and SQLite sees to it on every system and between the threads
of one process. Nothing is ever written to it, and it may be deleted while no service runs.
"""

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

_log = logging.getLogger(__name__)


@contextmanager
def alone(path: Path) -> Iterator[bool]:
    """Whether nobody else is in such a block with this path now."""
    with ExitStack() as held:
        yield _excludes_all(path, held)


def _excludes_all(path: Path, held: ExitStack) -> bool:
    try:
        connection = sqlite3.connect(path, timeout=0, isolation_level=None)
        held.enter_context(closing(connection))
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as error:
        if error.sqlite_errorcode & 0xFF in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            return False
        # A full disk, say. Two that learn at once do no harm; that nobody learns would.
        _log.warning("no lock at %s: %s", path.name, error)
    return True
