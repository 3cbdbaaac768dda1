"""The trail: in order, apart by wrench, and closed to edits by the database itself."""

import sqlite3

import pytest
from sample_records import NOW, a_check, a_wrench

from analysis.vocabulary import Direction
from service.access.caller import Caller, TokenScope
from service.records import Change, Event, EventKind
from service.store import LOCAL_SHOP


def an_event(wrench="TW-1", **changes):
    return Event(**{"wrench": wrench, "kind": EventKind.CHANGED, "recorded_at": NOW} | changes)


def test_an_event_comes_back_as_it_went_in(store):
    check = a_check()
    full = an_event(
        person="Jörg",
        why="fell",
        check=check.id,
        direction=Direction.COUNTER_CLOCKWISE,
        changes=(Change(field="model", before=None, after="ä, b"),),
        number=1,
    )
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(check)
        shop.events.add(full)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.events.list("TW-1") == (full,)


def test_events_are_paged_newest_first_each_wrench_apart(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench("TW-2"))
        shop.events.add(*(an_event(f"TW-{1 + place % 2}") for place in range(9)))
        shop.events.add(an_event())
        shop.events.add()
        numbers, before = [], None
        while page := shop.events.list("TW-1", before, limit=2):
            numbers += [event.number for event in page]
            before = page[-1].number
    assert numbers == [10, 9, 7, 5, 3, 1]


@pytest.fixture
def raw(store):
    """A plain connection that knows nothing of the service, to a store with an event in it."""
    with store.write(LOCAL_SHOP) as shop:
        shop.events.add(an_event(why="fell"))
    connection = sqlite3.connect(store.path, isolation_level=None)
    yield connection
    connection.close()


def columns(raw):
    return [row[1] for row in raw.execute("PRAGMA table_info(wrench_events)")]


@pytest.mark.sqlite
def test_no_column_of_an_event_is_edited_and_no_event_deleted(raw):
    for column in columns(raw):
        with pytest.raises(sqlite3.IntegrityError, match="are never edited"):
            raw.execute(f"UPDATE wrench_events SET {column} = {column}")  # noqa: S608
    with pytest.raises(sqlite3.IntegrityError, match="are never deleted"):
        raw.execute("DELETE FROM wrench_events")


@pytest.mark.sqlite
def test_replacing_an_event_under_its_number_is_refused(store, raw):
    """INSERT OR REPLACE deletes the row in its way; with the service's settings that is refused."""
    with store._writer.connect() as connection, pytest.raises(Exception, match="never deleted"):
        connection.exec_driver_sql(
            "INSERT OR REPLACE INTO wrench_events SELECT * FROM wrench_events"
        )


def test_by_which_token_and_from_where_is_what_the_caller_of_the_transaction_says(store):
    """It stands beside the person, whom nobody has verified."""
    caller = Caller(
        shop=LOCAL_SHOP,
        token_id="0123456789ab",
        token_name="bench 2",
        scope=TokenScope.BENCH,
        address="192.0.2.7",
    )
    with store.write(LOCAL_SHOP, caller) as shop:
        shop.events.add(an_event(person="Jörg"))
    with store.read(LOCAL_SHOP) as shop:
        (event,) = shop.events.list("TW-1")
    assert (event.person, event.token_id, event.token_name, event.address) == (
        "Jörg", "0123456789ab", "bench 2", "192.0.2.7",
    )  # fmt: skip


def test_an_event_of_a_wrench_that_is_not_there_is_refused(store):
    with pytest.raises(Exception, match=r"(?i)foreign key"), store.write(LOCAL_SHOP) as shop:
        shop.events.add(an_event("TW-9"))
