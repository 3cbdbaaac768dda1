"""SQLite under a store: one file beside the service, with one writer at a time."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection

from service.store.engine import open_readers, open_writer, sync_directory
from service.store.errors import StoreUnusable
from service.store.failures import told_plainly
from service.store.learners import alone
from service.store.place import Place, make_file
from service.store.watch import Watch


class Sqlite:
    """Whoever writes locks the whole file, and our queries alone keep shops apart."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._place = Place(path)
        self._watch = Watch(path)
        self.writer = open_writer(path)
        self.readers = open_readers(path)

    def find(self, *, make: bool) -> None:
        path = self._path
        if not path.parent.is_dir():
            raise StoreUnusable(
                f"there is no directory {path.parent} to keep the store in; make it, or name "
                "another file by --store or WRENCH_DRIFT_STORE"
            )
        if make:
            make_file(path)
        elif not path.is_file():
            raise StoreUnusable(f"there is no store at {path}; `wrench-drift db upgrade` makes one")

    def opened(self) -> None:
        # The file and its log exist by now.
        sync_directory(self._path)
        self._place.remember()

    def closed(self) -> None:
        self._watch.close()

    def stamp(self) -> object:
        self._place.require_same()
        return self._watch.stamp()

    def token_row(self, token_id: str) -> object:
        self._place.require_same()
        return self._watch.row("SELECT * FROM access_tokens WHERE id = ?", token_id)

    @contextmanager
    def watched(self) -> Iterator[None]:
        self._place.require_same()
        with told_plainly(self._path):
            yield

    def hold(self, connection: Connection) -> None:
        """BEGIN IMMEDIATE has done it."""

    def enter(self, connection: Connection, shop_id: int | None) -> None:
        """Nothing here can hold a query to its shop but the query."""

    @contextmanager
    def learner(self, shop_id: int) -> Iterator[bool]:
        with alone(Path(f"{self._path}-learning-{shop_id}")) as mine:
            yield mine

    def finish_schema(self, connection: Connection) -> None:
        """The migrations were all."""
