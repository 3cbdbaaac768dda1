"""Whether anything was committed to a store on SQLite, asked for less than any of its records.

`PRAGMA data_version` (https://www.sqlite.org/pragma.html#pragma_data_version) gives a connection
another number once another connection, of this process or not, has committed. The one here never
writes, so that every commit counts.
"""

import sqlite3
from pathlib import Path
from threading import Lock

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
            try:
                if self._connection is None:
                    self._connection = connect_for_reading(self._path)
                    self._connections += 1
                (version,) = self._connection.execute("PRAGMA data_version").fetchone()
            except sqlite3.Error:
                self._close()
                return None
            return self._connections, int(version)

    def close(self) -> None:
        with self._lock:
            self._close()

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
