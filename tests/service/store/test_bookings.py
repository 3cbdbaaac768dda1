"""Bookings in the store: every version kept, in the shop they belong to, from a store of before."""

import sqlite3
from dataclasses import replace
from datetime import date, timedelta

import pytest
from alembic import command
from alembic.config import Config
from sample_records import NOW, a_check, a_wrench
from sqlalchemy import create_engine

from analysis.vocabulary import CheckKind, Direction
from service.booking_records import Booking, BookingStatus
from service.records import Policy
from service.store import LOCAL_SHOP, StaleVersion, Store, UnknownRecord

BOOKED = Booking(
    id="b-1", wrench="TW-1", kind=CheckKind.AS_FOUND, day=date(2026, 5, 8), recorded_at=NOW
)
LATER = timedelta(hours=1)


def test_every_version_is_kept_and_the_last_one_is_in_force(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.bookings.add(BOOKED)
        moved = shop.bookings.update(
            replace(BOOKED, day=date(2026, 5, 11), reason="away", recorded_at=NOW + LATER), 1
        )
        assert moved.version == 2
        with pytest.raises(StaleVersion) as stale:
            shop.bookings.update(BOOKED, 1)
        assert stale.value.current == 2
    with store.read(LOCAL_SHOP) as shop:
        assert shop.bookings.get("b-1") == moved
        assert shop.bookings.history("b-1") == (BOOKED, moved)
        assert shop.bookings.every() == (moved,)
        assert shop.bookings.every(NOW) == (BOOKED,)
        assert shop.bookings.every(NOW - LATER) == ()


def test_what_is_not_there_is_unknown(store):
    with store.write(LOCAL_SHOP) as shop:
        for ask in (
            lambda: shop.bookings.get("none"),
            lambda: shop.bookings.list("none"),
            lambda: shop.bookings.update(BOOKED, 1),
        ):
            with pytest.raises(UnknownRecord):
                ask()


def test_bookings_of_one_shop_are_not_seen_in_another(store):
    store.add_shop("second")
    with store.write("second") as shop:
        shop.wrenches.add(a_wrench())
        shop.bookings.add(BOOKED)
    with store.write(LOCAL_SHOP) as shop:
        assert shop.bookings.every() == ()
        own = shop.bookings.add(replace(BOOKED, status=BookingStatus.CANCELLED))
    with store.read("second") as shop:
        assert shop.bookings.list() == (BOOKED,)
        assert shop.bookings.get("b-1") != own


def test_only_checks_at_a_tester_that_count_keep_a_booking(store):
    """A voided check and one of a later instant do not; a card speaks for a cap all the same."""
    with store.write(LOCAL_SHOP) as shop:
        first = shop.checks.add(a_check(performed_at=NOW - timedelta(days=3)))
        last = shop.checks.add(a_check(performed_at=NOW - timedelta(days=1)))
        found = shop.bookings.last_checks()
        assert found == {"TW-1": last.performed_at}
        assert shop.bookings.last_checks(NOW - timedelta(days=2)) == {"TW-1": first.performed_at}
        shop.checks.void(last.id, "wrong wrench", NOW)
        assert shop.bookings.last_checks() == {"TW-1": first.performed_at}
        assert shop.bookings.last_evidence("TW-1") == {Direction.CLOCKWISE: first.performed_at}
        assert shop.bookings.last_evidence("TW-9") == {}


@pytest.mark.sqlite
def test_closed_dates_of_a_policy_come_back_and_older_policies_have_none(store):
    with store.write(LOCAL_SHOP) as shop:
        closed = (date(2026, 12, 24), date(2026, 5, 1))
        shop.policy.put(Policy(closed_dates=closed), 1, at=NOW)
        assert shop.policy.get().closed_dates == closed
    with sqlite3.connect(store.path) as raw:
        (document,) = raw.execute("SELECT document FROM policies").fetchone()
        older = document.replace('"closed_dates": ["2026-12-24", "2026-05-01"], ', "")
        assert older != document
        raw.execute("INSERT INTO policies SELECT shop_id, 3, ?, 0 FROM policies", (older,))
    raw.close()
    with store.read(LOCAL_SHOP) as shop:
        assert shop.policy.get() == Policy(version=3)


@pytest.mark.sqlite
def test_a_store_from_before_bookings_takes_them(tmp_path):
    """Built at the revision before, with a wrench in it, then upgraded."""
    path, now = tmp_path / "old.db", tmp_path / "now.db"
    with Store.open(now, migrate=True) as store, store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench())
        wrench = shop.wrenches.get("TW-1")
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0004")
    engine.dispose()
    with sqlite3.connect(path) as old:
        assert not old.execute("SELECT 1 FROM sqlite_schema WHERE name = 'bookings'").fetchall()
        old.execute("ATTACH ? AS source", (str(now),))
        for table in ("shops", "wrenches"):
            names = ", ".join(row[1] for row in old.execute(f"PRAGMA main.table_info({table})"))
            old.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM source.{table}")  # noqa: S608
    old.close()
    with Store.open(path, migrate=True) as store, store.write(LOCAL_SHOP) as shop:
        assert shop.wrenches.get("TW-1") == wrench
        assert shop.bookings.add(BOOKED) == shop.bookings.get("b-1")
