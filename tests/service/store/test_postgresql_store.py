"""What a server does to the service: durable sessions, waiting writers, a server that goes away."""

import threading
import time
from datetime import timedelta

import pytest
from postgresql_server import connect
from sample_records import NOW, a_check, a_wrench
from sqlalchemy import text

from service.store import LOCAL_SHOP, Store, StoreBusy, StoreOutOfReach, StoreUnusable
from service.store.address import told

pytestmark = pytest.mark.postgresql


def session_settings(store):
    names = ("synchronous_commit", "lock_timeout", "timezone", "transaction_read_only",
             "transaction_isolation")  # fmt: skip
    for engine in (store._writer, store._readers):
        with engine.begin() as connection:
            yield {name: connection.execute(text(f"SHOW {name}")).scalar_one() for name in names}


def test_every_session_is_durable_impatient_and_in_utc(store):
    writer, reader = session_settings(store)
    shared = {"synchronous_commit": "on", "lock_timeout": "10s", "timezone": "UTC"}
    assert writer == shared | {
        "transaction_read_only": "off", "transaction_isolation": "read committed"
    }  # fmt: skip
    assert reader == shared | {
        "transaction_read_only": "on", "transaction_isolation": "repeatable read"
    }  # fmt: skip


def test_writers_of_one_shop_queue_and_those_of_another_pass(store):
    store.add_shop("next door")
    order = []

    def write_second():
        with store.write(LOCAL_SHOP) as shop:
            order.append("second")
            shop.wrenches.add(a_wrench("TW-3"))

    waiting = threading.Thread(target=write_second)
    with store.write(LOCAL_SHOP) as shop:
        waiting.start()
        with store.write("next door") as other:
            other.wrenches.add(a_wrench("ND-1"))
        time.sleep(0.2)
        order.append("first")
        shop.wrenches.add(a_wrench("TW-2"))
    waiting.join(10)
    assert order == ["first", "second"]
    with store.read(LOCAL_SHOP) as shop:
        assert [wrench.serial for wrench in shop.wrenches.list()] == ["TW-1", "TW-2", "TW-3"]


def test_a_pool_that_is_used_up_is_told_as_busy(store, monkeypatch):
    monkeypatch.setattr(store._readers.pool, "_timeout", 0.05)
    held = [store._readers.connect() for _ in range(12)]
    try:
        with pytest.raises(StoreBusy), store.read(LOCAL_SHOP):
            pass
    finally:
        for connection in held:
            connection.close()
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == ()


def test_connections_that_a_server_cut_are_made_anew(databases, store):
    with store.read(LOCAL_SHOP), store.write(LOCAL_SHOP):
        pass
    cut(databases, store)
    with store.read(LOCAL_SHOP) as shop:
        assert len(shop.wrenches.list()) == 1
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())


def test_a_server_that_goes_in_the_middle_takes_everything_back(databases, store):
    def write_while_it_goes():
        with store.write(LOCAL_SHOP) as shop:
            shop.checks.add(a_check())
            cut(databases, store)
            shop.checks.add(a_check(performed_at=NOW - timedelta(days=2)))

    with pytest.raises(StoreOutOfReach, match="cannot be reached"):
        write_while_it_goes()
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == ()


def cut(databases, store):
    with connect(databases.server) as admin:
        admin.execute(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = %s",
            [store.address.database],
        )


def test_a_server_that_is_not_there_is_told_without_the_password(store):
    away = store.address.set(query={"host": "/nowhere"}, password="a secret")
    with pytest.raises(StoreOutOfReach, match="cannot be reached") as caught:
        Store.open(away, migrate=True)
    assert "a secret" not in str(caught.value)
    assert "***" in told(away)


def test_a_database_that_nobody_made_is_told(store):
    with pytest.raises(StoreOutOfReach, match='database "no_such" does not exist'):
        Store.open(store.address.set(database="no_such"), migrate=True)


def test_a_store_that_was_not_migrated_asks_for_it(bare_address):
    with pytest.raises(StoreUnusable, match="run `wrench-drift db upgrade`"):
        Store.open(bare_address)


def test_the_database_of_something_else_is_left_alone(bare_address):
    with connect(bare_address) as plain:
        plain.execute("CREATE TABLE songs (title text)")
        with pytest.raises(StoreUnusable, match="database of something else"):
            Store.open(bare_address, migrate=True)
        assert plain.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
        ).fetchall() == [("songs",)]


def test_a_newer_schema_is_left_alone(empty_store):
    with connect(empty_store.address) as plain:
        plain.execute("UPDATE alembic_version SET version_num = '9999'")
    for migrate in (False, True):
        with pytest.raises(StoreUnusable, match="'9999' is not known to this version"):
            Store.open(empty_store.address, migrate=migrate)


def test_a_failing_migration_leaves_nothing_behind(bare_address, monkeypatch):
    def fail(*_):
        raise RuntimeError("on purpose")

    monkeypatch.setattr("service.store.postgresql.Postgresql.finish_schema", fail)
    with pytest.raises(RuntimeError, match="on purpose"):
        Store.open(bare_address, migrate=True)
    with connect(bare_address) as plain:
        assert (
            plain.execute("SELECT 1 FROM pg_tables WHERE schemaname = 'public'").fetchone() is None
        )


def test_a_database_in_another_encoding_is_refused(databases):
    from psycopg import sql

    name = f"{databases.prefix}latin"
    with connect(databases.server) as admin:
        admin.execute(
            sql.SQL("CREATE DATABASE {} ENCODING LATIN1 TEMPLATE template0 LOCALE 'C'").format(
                sql.Identifier(name)
            )
        )
    place = databases.as_owner(name)
    try:
        with pytest.raises(StoreUnusable, match="encoded in LATIN1"):
            Store.open(place, migrate=True)
    finally:
        databases.drop(place)
