"""The files of a store: made by nobody in silence, and the same ones as long as it is open.

An open file stays open when its name is taken away. What is written to it then is acknowledged and
found by nobody, so that names and files are compared before each unit of work: a file moved away
and back serves again, one put in its place does not until the service is started anew.
"""

import os
from pathlib import Path

from service.store.errors import StoreOutOfReach

_FileId = tuple[int, int]


class Place:
    """Where a store is, and which files were found there when it was opened."""

    def __init__(self, path: Path) -> None:
        self.path = path
        # Asked with every unit of work, as texts: paths are slow.
        self._files = str(path), f"{path}-wal"
        self._opened: tuple[_FileId, ...] | None = None

    def remember(self) -> None:
        """Take the files that are there now, the database and its log, for those of the store."""
        self._opened = self._found()

    def require_same(self) -> None:
        """Raises StoreOutOfReach unless the files are there, and those that were opened."""
        if self._opened is not None and self._found() != self._opened:
            raise StoreOutOfReach(
                f"other files stand where the store was opened, at {self.path}; "
                "stop the service, look after the files, and start it again"
            )

    def _found(self) -> tuple[_FileId, ...]:
        try:
            states = [os.stat(file) for file in self._files]  # noqa: PTH116
        except OSError as error:
            raise StoreOutOfReach(
                f"the store cannot be found at {self.path}: {error.strerror}"
            ) from error
        return tuple((state.st_dev, state.st_ino) for state in states)


def make_file(path: Path) -> None:
    """An empty file when there is none; raises StoreOutOfReach."""
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644))
    except OSError as error:
        raise StoreOutOfReach(
            f"no store can be made at {path}: {error.strerror}; name another file by --store or "
            "WRENCH_DRIFT_STORE"
        ) from error
