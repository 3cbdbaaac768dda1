"""What is acknowledged stays: settings of every connection, kill -9, rollback, the directory."""

import os
import signal
import subprocess
import sys
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest
from sample_records import NOW, TakenBack, a_check, a_tester, a_wrench
from sqlalchemy import text

from service.store import LOCAL_SHOP, Store, StoreBusy
from service.store.engine import BUSY_TIMEOUT_S, open_readers, open_writer

# https://sqlite.org/pragma.html: synchronous FULL is 2; journal_mode is kept in the file.
EXPECTED_PRAGMAS = {
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "recursive_triggers": 1,
    "fullfsync": 1,
    "busy_timeout": 10_000,
}


@pytest.mark.sqlite
@pytest.mark.parametrize("open_engine", [open_writer, open_readers])
def test_every_connection_of_a_pool_has_the_durable_settings(open_engine, store):
    """Three connections at once from the readers, three in turn from the writer."""
    engine = open_engine(store.path)
    try:
        connections = [engine.connect()]
        if open_engine is open_readers:
            connections += [engine.connect(), engine.connect()]
        for connection in connections:
            found = {
                name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
                for name in EXPECTED_PRAGMAS
            }
            assert found == EXPECTED_PRAGMAS
            connection.close()
    finally:
        engine.dispose()


def test_readers_refuse_to_write(store):
    with (
        pytest.raises(Exception, match=r"readonly database|read-only transaction"),
        store.read(LOCAL_SHOP) as shop,
    ):
        shop.wrenches.add(a_wrench("TW-2"))


@pytest.mark.sqlite
def test_the_directory_is_synced_when_file_and_log_exist(tmp_path, monkeypatch):
    """Before `open` returns, so before anything can be acknowledged."""
    synced: list[tuple[int, set[str]]] = []
    really_sync = os.fsync

    def record(descriptor: int) -> None:
        synced.append((os.fstat(descriptor).st_ino, {p.name for p in tmp_path.iterdir()}))
        really_sync(descriptor)

    monkeypatch.setattr(os, "fsync", record)
    with Store.open(tmp_path / "shop.db", migrate=True):
        ((inode, names),) = synced
    assert inode == tmp_path.stat().st_ino
    assert {"shop.db", "shop.db-wal"} <= names


WRITER = """
import sys
sys.path.insert(0, sys.argv[2])
from datetime import timedelta
from sample_records import NOW, a_check
from service.store import LOCAL_SHOP, Store

with Store.open(sys.argv[1]) as store:
    for number in range(100_000):
        check = a_check(performed_at=NOW - timedelta(minutes=number))
        with store.write(LOCAL_SHOP) as shop:
            shop.checks.add(check)
        print(check.id, flush=True)
"""


def text_of(place):
    return str(place) if isinstance(place, Path) else place.render_as_string(hide_password=False)


def test_killing_the_writer_loses_no_acknowledged_check(store):
    """kill -9 in the middle of writing; whole checks only, and every one that was acknowledged.

    This cannot show what a power cut does: synchronous=FULL, tested above, is for that.
    """
    here = Path(__file__).parents[1]
    writer = subprocess.Popen(  # noqa: S603 - our own interpreter and text
        [sys.executable, "-c", WRITER, text_of(store.address), str(here)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert writer.stdout is not None
    with writer.stdout:
        try:
            acknowledged = [writer.stdout.readline().strip() for _ in range(40)]
        finally:
            writer.kill()
        acknowledged += [line.strip() for line in writer.stdout if line.endswith("\n")]
    assert writer.wait() == -signal.SIGKILL

    with store.read(LOCAL_SHOP) as shop:
        stored = {check.id: check for check in shop.checks.every()}
    assert set(acknowledged) <= set(stored)
    assert len(stored) <= len(acknowledged) + 1  # one more may be stored but not yet told
    assert all(
        [len(point.readings) for point in check.points] == [5, 5, 5] for check in stored.values()
    )


def test_an_exception_takes_everything_back(store):
    with suppress(TakenBack), store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench("TW-2"))
        shop.testers.add(a_tester("TB-2"))
        shop.checks.add(a_check())
        shop.idempotency.keep("key", "digest", 201, b"{}", {}, NOW)
        raise TakenBack

    with store.read(LOCAL_SHOP) as shop:
        assert [wrench.serial for wrench in shop.wrenches.list()] == ["TW-1"]
        assert [tester.serial for tester in shop.testers.list()] == ["TB-1"]
        assert shop.checks.list(include_voided=True) == ()
        assert shop.idempotency.find("key") is None
        for table in ("points", "readings"):
            count = text(f"SELECT count(*) FROM {table}")  # noqa: S608 - the names stand above
            assert shop.checks._scope.connection.execute(count).scalar_one() == 0


def test_a_half_written_batch_is_taken_back(store):
    """The second of two checks names an unknown wrench: the first is not stored either."""
    with (
        pytest.raises(Exception, match="no wrench 'TW-9'"),
        store.write(LOCAL_SHOP) as shop,
    ):
        shop.checks.add_many([a_check(), a_check("TW-9")])
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == ()


def test_a_reader_keeps_its_snapshot_while_a_writer_commits(store):
    with store.read(LOCAL_SHOP) as before:
        with store.write(LOCAL_SHOP) as shop:
            shop.checks.add(a_check())
        assert before.checks.list() == ()
    with store.read(LOCAL_SHOP) as after:
        assert len(after.checks.list()) == 1


def test_another_process_that_holds_the_store_is_told_as_busy(store, monkeypatch):
    """A second store object stands for the other process: it has its own connections."""
    monkeypatch.setattr("service.store.engine.PRAGMAS", ("PRAGMA busy_timeout=20",))
    monkeypatch.setattr("service.store.postgresql.SESSION", ("SET lock_timeout = '20ms'",))
    with Store.open(store.address) as impatient:
        with store.write(LOCAL_SHOP) as shop:
            shop.checks.add(a_check())
            with pytest.raises(StoreBusy), impatient.write(LOCAL_SHOP):
                pass
        with impatient.write(LOCAL_SHOP) as shop:  # and it works again afterwards
            shop.checks.add(a_check(performed_at=NOW - timedelta(days=2)))
    with store.read(LOCAL_SHOP) as shop:
        assert len(shop.checks.list()) == 2


@pytest.mark.sqlite
def test_writers_of_one_process_queue(store, monkeypatch):
    """The pool of one connection lets nobody in until the first is done."""
    impatient = open_writer(store.path)
    try:
        monkeypatch.setattr(impatient.pool, "_timeout", 0.05)
        monkeypatch.setattr(store, "_writer", impatient)
        with store.write(LOCAL_SHOP), pytest.raises(StoreBusy), store.write(LOCAL_SHOP):
            pass
    finally:
        impatient.dispose()
    assert BUSY_TIMEOUT_S == 10
