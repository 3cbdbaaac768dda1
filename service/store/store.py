"""A store, and the one shop of it that a unit of work sees."""

import secrets
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

from sqlalchemy import URL, Connection, Row, insert, select

from service import metrics
from service.access.caller import Caller
from service.access.records import AccessToken, SignIn
from service.store import migrate as migrations
from service.store.access import SignIns, Tokens, sign_in_with, token_with
from service.store.address import address_of, told
from service.store.angle_checks import AngleChecks
from service.store.auditor_tables import AuditorTables
from service.store.backend import Backend
from service.store.bookings import Bookings
from service.store.changes import Place, changed_wrenches, place_of
from service.store.checks import Checks
from service.store.errors import StoreUnusable, UnknownRecord
from service.store.events import Events
from service.store.idempotency import KeptAnswers
from service.store.laws import Laws
from service.store.ledger import Ledger
from service.store.ledger_content import StoredContents
from service.store.policies import Policies
from service.store.pulls import Pulls
from service.store.scope import Scope
from service.store.sqlite import Sqlite
from service.store.tables import ShopRow
from service.store.testers import Testers
from service.store.versions import SHOP, SHOP_LOCKED, VERSIONS, ShopVersions
from service.store.wrenches import Wrenches

if TYPE_CHECKING:
    import polars as pl

    from analysis.use_since import Work
    from analysis.vocabulary import Direction
    from service.store.evidence_frames import Among

LOCAL_SHOP: Final = "local"

_WRENCHES_AND_CHECKS_AT_ONCE: Final = 4_000  # some 60,000 readings, some megabytes


class ShopStore:
    """The repositories of one shop in one transaction."""

    def __init__(
        self,
        connection: Connection,
        shop_id: int,
        key: str,
        caller: Caller | None = None,
        snapshot: ShopVersions | None = None,
    ) -> None:
        """snapshot   what holds until the transaction ends; None: it may change the shop"""
        self.key = key
        self._snapshot = snapshot
        self._scope = Scope(connection, shop_id, caller)
        self.recorded = self._scope.recorded
        self.wrenches = Wrenches(self._scope)
        self.testers = Testers(self._scope)
        self.checks = Checks(self._scope)
        self.pulls = Pulls(self._scope)
        self.angle_checks = AngleChecks(self._scope)
        self.events = Events(self._scope)
        self.bookings = Bookings(self._scope)
        self.policy = Policies(self._scope)
        self.laws = Laws(self._scope)
        self.idempotency = KeptAnswers(self._scope)
        self.tokens = Tokens(self._scope)
        self.sign_ins = SignIns(self._scope)
        self.ledger = Ledger(self._scope)
        self.contents = StoredContents(connection, shop_id)
        self.auditor_tables = AuditorTables(self._scope)

    def evidence(
        self, as_of: datetime, wrench: "Among" = None
    ) -> "tuple[pl.DataFrame, pl.DataFrame]":
        """The frames WRENCHES and READINGS of `analysis.evidence`, readings up to `as_of`.

        wrench   serial, or some of them; None for every wrench
        """
        from service.store.evidence_frames import reading_frame, wrench_frame  # polars is slow

        connection, shop_id = self._scope.connection, self._scope.shop_id
        return (
            wrench_frame(connection, shop_id, wrench),
            reading_frame(connection, shop_id, as_of, wrench),
        )

    def reading_batches(
        self, as_of: datetime, wrench: str | None = None, *, details: bool = False
    ) -> "Iterator[tuple[pl.DataFrame, pl.DataFrame]]":
        """What `evidence` gives, a few wrenches at a time, so that little is held at once.

        Every wrench is in one batch, with all its readings.

        wrench   serial; None for every wrench
        details  readings with the columns DETAILED_READINGS of `service.store.evidence_frames`
        """
        from analysis.evidence import READINGS
        from service.store import evidence_frames as frames  # polars is slow

        connection, shop_id = self._scope.connection, self._scope.shop_id
        schema = frames.DETAILED_READINGS if details else READINGS
        spans = frames.spans_of_wrenches(connection, shop_id, as_of, _WRENCHES_AND_CHECKS_AT_ONCE)
        for span in spans if wrench is None else [wrench]:
            yield (
                frames.wrench_frame(connection, shop_id, span),
                frames.reading_frame(connection, shop_id, as_of, span, schema),
            )

    def circumstances(self, as_of: datetime) -> "pl.DataFrame":
        """The frame CIRCUMSTANCES of `analysis.evidence`, checks up to `as_of`."""
        from service.store.circumstances import circumstance_frame  # polars is slow

        return circumstance_frame(self._scope.connection, self._scope.shop_id, as_of)

    def work_since(
        self, as_of: datetime, until_day: float, among: "Among" = None
    ) -> "dict[tuple[str, Direction], Work]":
        """What is on record of each wrench's use since its last check; see `work_since`."""
        from service.store.work_since import work_since  # polars is slow

        return work_since(self._scope.connection, self._scope.shop_id, as_of, until_day, among)

    def evidence_version(self) -> str:
        """A text that changes whenever `evidence`, `circumstances` or `checks.papers` could answer
        differently for the same `as_of`.
        """
        return self._versions().evidence

    def place(self) -> Place:
        """How far the records have come, for `changed_since`."""
        return place_of(self._scope.connection, self._scope.shop_id)

    def changed_since(self, place: Place) -> frozenset[str] | None:
        """The wrenches of which `evidence`, papers, work or the record may have changed; None: read
        all of them.
        """
        return changed_wrenches(self._scope.connection, self._scope.shop_id, place)

    def pulls_version(self) -> int:
        """A number that rises with every change of the recorded pulls."""
        return self._versions().pulls

    def laws_version(self) -> int:
        """A number that rises whenever laws are stored."""
        return self._versions().laws

    def _versions(self) -> ShopVersions:
        if self._snapshot is not None:
            return self._snapshot
        query = select(*VERSIONS).where(ShopRow.id == self._scope.shop_id)
        return ShopVersions.of(self._scope.connection.execute(query).one())


class Store:
    """Opened once a process; `read` and `write` may be called from any thread.

    address   the file, or the URL of the database
    is_new    whether it was made when it was opened
    """

    def __init__(self, address: str | Path | URL) -> None:
        self.address = address_of(address)
        self.is_new = False
        self._backend = _backend(self.address)
        self._writer = self._backend.writer
        self._readers = self._backend.readers

    @classmethod
    def open(cls, address: str | Path | URL, *, migrate: bool = False) -> Self:
        """The store at `address`: a path, or a URL `sqlite:///path` or `postgresql://`.

        migrate   make the store when there is none, bring its schema up to date, and make sure of
                  the local shop

        Raises StoreUnusable when there is no store at `address`, or one of another schema.
        """
        with ExitStack() as unless_ready:
            store = cls(address)
            unless_ready.callback(store.close)
            backend = store._backend
            backend.find(make=migrate)
            with store._writing() as connection:
                if migrate:
                    backend.hold(connection)
                    backend.enter(connection, None)
                    store.is_new = migrations.revision_of(connection) is None
                    if migrations.upgrade(connection):
                        backend.finish_schema(connection)
                    _add_shop(connection, LOCAL_SHOP)
                migrations.require_head(connection)
            backend.opened()
            unless_ready.pop_all()
        return store

    @property
    def told(self) -> str:
        """The address as a person may read it in a log."""
        return told(self.address)

    @property
    def path(self) -> Path:
        """The file of the store; raises StoreUnusable where a server keeps it."""
        if not isinstance(self.address, Path):
            raise StoreUnusable(f"{self.told} is kept by a server, in no file of ours")
        return self.address

    @contextmanager
    def read(self, shop: str) -> Iterator[ShopStore]:
        """The shop as it is now, unchanged by writers until the block ends; it refuses writes.

        Raises UnknownRecord for a shop that the store does not have, StoreOutOfReach when the
        store is not there.
        """
        with self._reading() as connection:
            # The first read takes the snapshot.
            yield self._shop_store(connection, shop)

    @contextmanager
    def write(self, shop: str, caller: Caller | None = None) -> Iterator[ShopStore]:
        """The shop for writing, alone: committed and on the disk when the block ends.

        caller   for whom, as the trail will tell; None: a command on the machine

        An exception in the block takes everything back. Raises UnknownRecord for a shop that the
        store does not have, StoreBusy when another writer does not finish, StoreFull and
        StoreOutOfReach when the machine cannot do it.
        """
        with ExitStack() as transaction:
            with metrics.waiting_for_the_writer():
                connection = transaction.enter_context(self._writing())
                records = self._shop_store(connection, shop, caller, lock=True)
            yield records
        metrics.count_records(records.recorded)

    def add_shop(self, shop: str) -> None:
        """Make sure of the shop; no change when it is there."""
        with self._writing() as connection:
            self._backend.hold(connection)
            _add_shop(connection, shop)

    def shops(self) -> tuple[str, ...]:
        """The keys of all shops, in order."""
        with self._reading() as connection:
            return tuple(connection.execute(select(ShopRow.key).order_by(ShopRow.key)).scalars())

    def access_token(self, token_id: str) -> AccessToken | None:
        """The token with this id, of whichever shop: it says which one the caller may see."""
        with self._reading() as connection:
            self._backend.enter(connection, None)
            return token_with(connection, token_id)

    def token_row(self, token_id: str) -> object:
        """What is alike only as long as this token is as it was when it was read after asking this;
        None where that is not known. Raises StoreOutOfReach.
        """
        return self._backend.token_row(token_id)

    def sign_in(self, sign_in_id: str) -> SignIn | None:
        """The session or link with this id, of whichever shop."""
        with self._reading() as connection:
            self._backend.enter(connection, None)
            return sign_in_with(connection, sign_in_id)

    def require_ready(self) -> None:
        """Raises when the store cannot be read or its schema is not the one of this code."""
        with self._reading() as connection:
            migrations.require_head(connection)

    def stamp(self) -> object:
        """What is alike only as long as nothing is written to the store, by whomever; None where
        that is not known.

        What was read after a stamp was taken may be kept and given while the stamp stands. Raises
        StoreOutOfReach.
        """
        return self._backend.stamp()

    @contextmanager
    def learner(self, shop: str) -> Iterator[bool]:
        """Whether the block is alone, of all workers over the store, in learning the shop's laws.

        The turn is given back when the block ends or its process does, however it ends. Raises
        UnknownRecord and StoreOutOfReach as `read` does.
        """
        with self._reading() as connection:
            shop_id = _shop_row(connection, shop).id
        with self._backend.learner(shop_id) as alone:
            yield alone

    def close(self) -> None:
        self._backend.closed()
        self._readers.dispose()
        self._writer.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with self._backend.watched(), self._readers.begin() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._backend.watched(), self._writer.begin() as connection:
            yield connection

    def _shop_store(
        self, connection: Connection, shop: str, caller: Caller | None = None, *, lock: bool = False
    ) -> ShopStore:
        row = _shop_row(connection, shop, lock=lock)
        self._backend.enter(connection, row.id)
        snapshot = None if lock else ShopVersions.of(row)
        return ShopStore(connection, row.id, shop, caller, snapshot)


def _backend(address: Path | URL) -> Backend:
    if isinstance(address, Path):
        return Sqlite(address)
    from service.store.postgresql import Postgresql  # its driver comes with an extra

    return Postgresql(address)


def _shop_row(connection: Connection, shop: str, *, lock: bool = False) -> Row[*tuple[Any, ...]]:
    """The columns VERSIONS of the shop."""
    row = connection.execute(SHOP_LOCKED if lock else SHOP, {"key": shop}).one_or_none()
    if row is None:
        raise UnknownRecord("shop", shop)
    return row


def _add_shop(connection: Connection, shop: str) -> None:
    if connection.execute(select(ShopRow.id).where(ShopRow.key == shop)).first() is None:
        connection.execute(
            insert(ShopRow).values(key=shop, token=secrets.token_hex(8), evidence_version=0)
        )
