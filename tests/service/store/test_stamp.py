"""The stamp of a store: alike as long as nobody commits, whoever it is."""

import sqlite3
from contextlib import suppress

import pytest
from sample_records import TakenBack, a_check

from service.store import LOCAL_SHOP, Store, StoreOutOfReach


def test_a_stamp_stands_until_something_is_committed(store: Store) -> None:
    first = store.stamp()
    with store.read(LOCAL_SHOP) as records:
        records.wrenches.list()
    with suppress(TakenBack), store.write(LOCAL_SHOP) as records:
        records.checks.add(a_check())
        raise TakenBack
    assert store.stamp() == first
    with store.write(LOCAL_SHOP) as records:
        records.checks.add(a_check())
        assert store.stamp() == first  # nobody sees it yet
    assert first is None or store.stamp() != first  # a server does not tell


@pytest.mark.sqlite
def test_what_another_process_commits_is_seen(store: Store) -> None:
    first = store.stamp()
    assert first is not None
    with sqlite3.connect(store.path) as other:
        other.execute("UPDATE shops SET evidence_version = evidence_version + 1")
    other.close()
    assert store.stamp() != first


@pytest.mark.sqlite
def test_a_store_that_was_moved_away_has_none(store: Store) -> None:
    store.stamp()
    store.path.rename(store.path.with_name("elsewhere.db"))
    with pytest.raises(StoreOutOfReach):
        store.stamp()
