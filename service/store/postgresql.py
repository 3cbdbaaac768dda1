"""PostgreSQL under a store: several services may serve one database.

Writers of one shop queue at its row in `shops`. Every table with a `shop_id` has row-level
security, forced on its owner too: a transaction says which shop it is in, and the rows of all
others do not exist for it, whatever its queries forget. One that says nothing sees no row at all.
"""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

from service.store.address import told
from service.store.engine import BUSY_TIMEOUT_S
from service.store.errors import (
    StoreBusy,
    StoreError,
    StoreFull,
    StoreOutOfReach,
    StoreUnusable,
)

SESSION: Final = (
    f"SET lock_timeout = '{int(BUSY_TIMEOUT_S * 1000)}ms'",
    # A server may be set to acknowledge what is not on its disk yet.
    "SET synchronous_commit = on",
    "SET timezone = 'UTC'",
)

# https://www.postgresql.org/docs/current/errcodes-appendix.html
_BUSY: Final = frozenset({
    "40001",  # serialization_failure
    "40P01",  # deadlock_detected
    "55P03",  # lock_not_available: lock_timeout ran out
    "57014",  # query_canceled: statement_timeout ran out
})  # fmt: skip
_AWAY: Final = frozenset({
    "53300",  # too_many_connections
    "57P01",  # admin_shutdown
    "57P02",  # crash_shutdown
    "57P03",  # cannot_connect_now
})  # fmt: skip

_DISK_FULL: Final = "53100"

# https://www.postgresql.org/docs/current/runtime-config-connection.html
_FOUND_DEAD: Final = (
    "SET tcp_keepalives_idle = 30",
    "SET tcp_keepalives_interval = 10",
    "SET tcp_keepalives_count = 3",
)

_SHOP: Final = "wrench_drift.shop"
_EVERY: Final = "every"
_LOCK: Final = 6789  # any number, the same in every release
_LEARNER: Final = 6790


class Postgresql:
    def __init__(self, url: URL) -> None:
        self._url = url
        self.writer = _engine(url, most=4)
        self.readers = _engine(url, most=12).execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        )

    def find(self, *, make: bool) -> None:
        """Raises StoreUnusable for a database that could keep neither shops apart nor every text.

        The database itself is made by who runs the server; `make` is about what is in it.
        """
        with self.watched(), self.writer.connect() as connection:
            encoding, unbound = connection.execute(text(_SITUATION)).one()
        if encoding != "UTF8":
            raise StoreUnusable(
                f"the database {told(self._url)} is encoded in {encoding}; give one in UTF8"
            )
        if unbound:
            raise StoreUnusable(
                f"row-level security does not bind the role of {told(self._url)}, so shops would "
                "not be kept apart; connect as the owner of the database, with a role that is "
                "neither superuser nor BYPASSRLS (`createuser wrench_drift`, then "
                "`createdb --owner wrench_drift wrench_drift`)"
            )

    def opened(self) -> None:
        """The server's disk is the server's affair."""

    def closed(self) -> None:
        """The engines were all."""

    def stamp(self) -> None:
        """A server would have to be asked, as for anything else."""

    def token_row(self, token_id: str) -> None:
        """As `stamp`."""

    def hold(self, connection: Connection) -> None:
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})

    def enter(self, connection: Connection, shop_id: int | None) -> None:
        shop = _EVERY if shop_id is None else str(shop_id)
        # Until the transaction ends; the next one on this connection begins with none.
        connection.execute(
            text("SELECT set_config(:name, :shop, true)"), {"name": _SHOP, "shop": shop}
        )

    @contextmanager
    def learner(self, shop_id: int) -> Iterator[bool]:
        # On a connection of its own, which no transaction ends: the server gives the lock back
        # when the connection ends, and finds out within a minute that a machine is gone.
        alone = create_engine(self._url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
        with ExitStack() as turn:
            with self.watched():
                connection = turn.enter_context(alone.connect())
                for setting in _FOUND_DEAD:
                    connection.execute(text(setting))
                mine = connection.execute(
                    text("SELECT pg_try_advisory_lock(:lock, :shop)"),
                    {"lock": _LEARNER, "shop": shop_id},
                ).scalar_one()
            yield bool(mine)

    def finish_schema(self, connection: Connection) -> None:
        """Policies for tables that lack them, and text that sorts by code point, as SQLite's does.

        Pages of records go on after a key: its order must be the same wherever it is asked for.
        """
        for table in connection.execute(text(_UNPROTECTED)).scalars().all():
            for statement in _PROTECTION:
                connection.exec_driver_sql(statement.format(table=table))
        for table, columns in connection.execute(text(_SORTED_BY_LANGUAGE)).all():
            changes = ", ".join(f'ALTER "{column}" TYPE varchar COLLATE "C"' for column in columns)
            connection.exec_driver_sql(f'ALTER TABLE "{table}" {changes}')

    @contextmanager
    def watched(self) -> Iterator[None]:
        try:
            yield
        except PoolTimeout as error:
            raise StoreBusy(BUSY_TIMEOUT_S) from error
        except DBAPIError as error:
            meaning = self._meaning(error)
            if meaning is None:
                raise
            raise meaning from error

    def _meaning(self, error: DBAPIError) -> StoreError | None:
        state = getattr(error.orig, "sqlstate", None)
        if state in _BUSY:
            return StoreBusy(BUSY_TIMEOUT_S)
        if state == _DISK_FULL:
            return StoreFull(told(self._url))
        # Where no connection comes about, the driver has no state to tell.
        away = state is None or state in _AWAY or state.startswith("08")
        if error.connection_invalidated or (away and _is_operational(error)):
            return StoreOutOfReach(
                f"the server of {told(self._url)} cannot be reached: {_first_line(error)}"
            )
        return None


# Superusers pass row-level security, and so does who has BYPASSRLS.
_SITUATION: Final = """
    SELECT current_setting('server_encoding'), rolsuper OR rolbypassrls
    FROM pg_roles WHERE rolname = current_user
"""

_TABLES_OF_SHOPS: Final = """
    FROM pg_class c
    JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'shop_id' AND NOT a.attisdropped
    WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p')
"""

_UNPROTECTED: Final = f"""
    SELECT c.relname {_TABLES_OF_SHOPS}
        AND NOT (
            c.relrowsecurity AND c.relforcerowsecurity
            AND EXISTS (SELECT 1 FROM pg_policy p WHERE p.polrelid = c.oid)
        )
    ORDER BY c.relname
"""  # noqa: S608 - made of the text above

# The setting is asked for once a statement, not once a row, because it stands in a subquery. It is
# empty, and no longer NULL, on a connection whose earlier transaction had set it.
_PROTECTION: Final = (
    'ALTER TABLE "{table}" ENABLE ROW LEVEL SECURITY',
    'ALTER TABLE "{table}" FORCE ROW LEVEL SECURITY',
    f"""
    CREATE POLICY one_shop ON "{{table}}" USING (
        shop_id = (
            SELECT NULLIF(NULLIF(current_setting('{_SHOP}', true), ''), '{_EVERY}')::integer
        )
    )
    """,
    f"""
    CREATE POLICY every_shop ON "{{table}}"
        USING ((SELECT current_setting('{_SHOP}', true)) = '{_EVERY}')
    """,
)

_SORTED_BY_LANGUAGE: Final = """
    SELECT c.relname, array_agg(a.attname::text ORDER BY a.attnum)
    FROM pg_class c
    JOIN pg_attribute a ON a.attrelid = c.oid AND NOT a.attisdropped
    JOIN pg_collation l ON l.oid = a.attcollation AND l.collname <> 'C'
    WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p')
        AND a.atttypid = 'varchar'::regtype AND a.atttypmod = -1
    GROUP BY c.relname
    ORDER BY c.relname
"""


def _engine(url: URL, *, most: int) -> Engine:
    """An engine of few connections: a server has a hundred for all workers of all services."""
    try:
        engine = create_engine(
            url,
            pool_size=4,
            max_overflow=most - 4,
            pool_timeout=BUSY_TIMEOUT_S,
            pool_pre_ping=True,  # a server that went and came back is met without an error
            connect_args={"connect_timeout": 5, "application_name": "wrench-drift"},
        )
    except ModuleNotFoundError as error:
        raise StoreUnusable(
            f"a store on a PostgreSQL server needs the package {error.name}: "
            "pip install 'wrench-drift[postgresql]'"
        ) from error

    @event.listens_for(engine, "connect")
    def _prepare(connection: DBAPIConnection, _: ConnectionPoolEntry) -> None:
        cursor = connection.cursor()
        try:
            for statement in SESSION:
                cursor.execute(statement)
        finally:
            cursor.close()
        connection.commit()

    return engine


def _is_operational(error: DBAPIError) -> bool:
    from psycopg import OperationalError  # only where the store is a PostgreSQL

    return isinstance(error.orig, OperationalError)


def _first_line(error: DBAPIError) -> str:
    return str(error.orig).strip().partition("\n")[0]
