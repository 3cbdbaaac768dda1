"""Whether anything was committed to a store on SQLite, asked for less than any of its records.

`PRAGMA data_version` (https://www.sqlite.org/pragma.html#pragma_data_version) gives a connection
another number once another connection, of this process or not, has committed. The one here never
writes, so that every commit counts.
"""

import sqlite3
from pathlib import Path
from threading import Lock
from typing import Any

from service.store.engine import connect_for_reading


class Watch:
    """A connection of its own, made when it is first asked."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = Lock()
        self._connection: sqlite3.Connection | None = None
        self._connections = 0  # numbers of two connections cannot be compared

    def stamp(self) -> tuple[int, int] | None:
        """Alike as long as nobody commits; None when SQLite does not say, as on a failing disk."""
        with self._lock:
            row = self._row("PRAGMA data_version")
            return None if row is None else (self._connections, int(row[0]))

    def row(self, question: str, *values: str) -> tuple[Any, ...] | None:
        """The first row of the answer as it is now; None when there is none, or SQLite does not
        say.
        """
        with self._lock:
            return self._row(question, *values)

    def _row(self, question: str, *values: str) -> tuple[Any, ...] | None:
        try:
            if self._connection is None:
                self._connection = connect_for_reading(self._path)
                self._connections += 1
            row: tuple[Any, ...] | None = self._connection.execute(question, values).fetchone()
        except sqlite3.Error:
            self._close()
            return None
        return row

    def close(self) -> None:
        with self._lock:
            self._close()

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
