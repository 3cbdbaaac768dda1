"""A disk that is full, a file that is moved, taken away or damaged: told, and got over."""

import shutil
import sqlite3
from datetime import timedelta

import pytest
from sample_records import NOW, a_check
from sqlalchemy import event, text

from service.store import LOCAL_SHOP, Store, StoreFull, StoreOutOfReach, StoreUnusable

pytestmark = pytest.mark.sqlite

SUFFIXES = ("", "-wal", "-shm")


def move(store, there):
    """All files of the store, as a person would move them."""
    there.mkdir(exist_ok=True)
    for suffix in SUFFIXES:
        (store.path.parent / f"shop.db{suffix}").rename(there / f"shop.db{suffix}")


def bring_back(store, there):
    for suffix in SUFFIXES:
        (there / f"shop.db{suffix}").rename(store.path.parent / f"shop.db{suffix}")


def test_a_full_disk_stores_nothing_and_then_goes_on(store):
    """The database's own bound on its pages stands for the disk's: SQLite reports both alike."""
    with store._writer.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
    with pytest.raises(StoreFull, match="no room is left"), store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many(
            a_check(performed_at=NOW - timedelta(hours=number), cycle_count=None)
            for number in range(200)
        )
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == ()
    with store._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=1000000")
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())


def test_a_store_that_was_moved_takes_nothing_in_until_it_is_back(store, tmp_path):
    """Its open files would have taken it in where nobody finds it."""
    move(store, tmp_path / "elsewhere")
    for unit_of_work in (store.read, store.write):
        with (
            pytest.raises(StoreOutOfReach, match=r"cannot be found at .*: No such file"),
            unit_of_work(LOCAL_SHOP),
        ):
            pass
    with pytest.raises(StoreOutOfReach):
        store.require_ready()
    assert not store.path.exists()
    bring_back(store, tmp_path / "elsewhere")
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
    store.require_ready()


@pytest.mark.parametrize("suffix", ["", "-wal"])
def test_files_put_in_the_place_of_the_store_are_not_written_to(store, tmp_path, suffix):
    file = tmp_path / f"shop.db{suffix}"
    shutil.copy(file, tmp_path / "copy")
    (tmp_path / "copy").rename(file)
    before = file.read_bytes()
    with (
        pytest.raises(StoreOutOfReach, match="other files stand where the store was opened"),
        store.write(LOCAL_SHOP) as shop,
    ):
        shop.checks.add(a_check())
    assert file.read_bytes() == before


def test_a_log_that_was_deleted_is_missed_before_anything_is_written(store, tmp_path):
    """What is in it is not lost yet: closing the store writes it into the database."""
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
    (tmp_path / "shop.db-wal").unlink()
    with pytest.raises(StoreOutOfReach), store.write(LOCAL_SHOP):
        pass
    store.close()
    with Store.open(store.path) as anew, anew.read(LOCAL_SHOP) as shop:
        assert len(shop.checks.list()) == 1


def test_no_connection_makes_a_store_where_there_is_none(store, tmp_path):
    """Not even one that is opened while the file is away."""
    store._backend._place.require_same = lambda: None
    move(store, tmp_path / "elsewhere")
    with pytest.raises(StoreOutOfReach, match="unable to open"), store.read(LOCAL_SHOP):
        pass
    assert not store.path.exists()
    bring_back(store, tmp_path / "elsewhere")


def test_a_damaged_store_is_told_as_one_to_restore(store, tmp_path):
    copy = tmp_path / "damaged.db"
    store.close()
    content = bytearray(store.path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    copy.write_bytes(content)
    with pytest.raises(StoreUnusable, match=r"damaged.db cannot be used .* latest backup"):
        Store.open(copy)


def test_what_the_machine_did_not_cause_is_left_as_it_is(store):
    """A broken constraint is a defect of the code, and no state of the disk."""
    with pytest.raises(Exception, match="NOT NULL") as caught, store.write(LOCAL_SHOP) as shop:
        shop._scope.connection.execute(text("INSERT INTO shops (key) VALUES ('x')"))
    assert isinstance(caught.value.__cause__, sqlite3.IntegrityError)


def test_an_error_of_the_disk_in_mid_transaction_is_told_and_got_over(store):
    """As the driver reports it; the sweep in `tests/faults` has the system fail for good."""
    failing = sqlite3.OperationalError("disk I/O error")
    failing.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC

    def fail(*_):
        raise failing

    event.listen(store._writer, "commit", fail)
    with (
        pytest.raises(StoreOutOfReach, match="cannot be read or written: disk I/O error"),
        store.write(LOCAL_SHOP) as shop,
    ):
        shop.checks.add(a_check())
    event.remove(store._writer, "commit", fail)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == ()
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
