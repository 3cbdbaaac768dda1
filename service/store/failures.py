"""What the database reports when the machine fails it, told as errors of the store.

The codes are those of https://www.sqlite.org/rescode.html; what they mean for a caller is decided
here. SQLite has undone the transaction by then, or undoes it at once, and the next one finds the
store as it was: nothing has to be opened anew.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from service.store.engine import BUSY_TIMEOUT_S
from service.store.errors import (
    StoreBusy,
    StoreError,
    StoreFull,
    StoreOutOfReach,
    StoreUnusable,
)

# With less room than this a failed write is told as a full disk, whatever the code says: the
# shared memory beside the log reports a full disk as an I/O error.
_HARDLY_ANY_BYTES: Final = 64 * 1024

_BUSY: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_OUT_OF_REACH: Final = {
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_READONLY,
}
_DAMAGED: Final = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


@contextmanager
def told_plainly(path: Path) -> Iterator[None]:
    """Raises StoreBusy, StoreFull, StoreOutOfReach or StoreUnusable for what the machine did.

    An error that it did not cause, such as a broken constraint, is left as it is.
    """
    try:
        yield
    except PoolTimeout as error:
        raise StoreBusy(BUSY_TIMEOUT_S) from error
    except (DBAPIError, sqlite3.Error) as error:
        told = _told(error, path)
        if told is None:
            raise
        raise told from error


def _told(error: DBAPIError | sqlite3.Error, path: Path) -> StoreError | None:
    cause = error.orig if isinstance(error, DBAPIError) else error
    code = getattr(cause, "sqlite_errorcode", None)
    if code is None:
        return None  # the driver's own, such as a wrong number of parameters: a defect
    primary = code & 0xFF
    if primary in _BUSY:
        return StoreBusy(BUSY_TIMEOUT_S)
    if primary == sqlite3.SQLITE_FULL or (primary == sqlite3.SQLITE_IOERR and _is_full(path)):
        return StoreFull(path)
    if primary in _OUT_OF_REACH:
        return StoreOutOfReach(f"the store at {path} cannot be read or written: {cause}")
    if primary in _DAMAGED:
        return StoreUnusable(
            f"{path} cannot be used as a store: {cause}; "
            "stop the service, keep the file, and go back to the latest backup"
        )
    return None


def _is_full(path: Path) -> bool:
    if not hasattr(os, "statvfs"):
        return False
    try:
        volume = os.statvfs(path.resolve().parent)
    except OSError:
        return False
    return volume.f_bavail * volume.f_frsize < _HARDLY_ANY_BYTES
