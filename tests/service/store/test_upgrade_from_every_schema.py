"""A store of each schema that was ever released, with data in it, brought up to this one."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from filled_store import every_row, fill, migrate_to, put_rows
from sample_records import NOW

from service.store import LOCAL_SHOP, Store
from service.store.migrate import HEAD, REVISIONS


@pytest.fixture
def filled(empty_store):
    fill(empty_store)
    return empty_store


def test_every_table_has_a_row_to_be_carried(filled):
    """Else the tests below would prove nothing about it."""
    assert [name for name, rows in every_row(filled).items() if not rows] == []


@pytest.mark.parametrize("revision", REVISIONS)
def test_a_filled_store_of_each_schema_comes_up_with_its_records(filled, bare_address, revision):
    with Store(bare_address) as old:
        migrate_to(old, revision)
        before = put_rows(old, every_row(filled))
    assert before["readings"]

    with Store.open(bare_address, migrate=True) as store:
        assert not store.is_new
        columns = {name: list(rows[0]) for name, rows in before.items() if rows}
        assert every_row(store, columns) == {name: before[name] for name in columns}
        with store.read(LOCAL_SHOP) as shop, filled.read(LOCAL_SHOP) as same:
            assert shop.wrenches.list()[0].lowest == same.wrenches.list()[0].lowest
            assert list(shop.checks.every()) == list(same.checks.every())
            assert shop.evidence(NOW)[0].equals(same.evidence(NOW)[0])


def test_stores_that_migrate_at_once_make_one_schema(bare_address):
    """As services do that are started side by side."""

    def open_it(_: int) -> bool:
        with Store.open(bare_address, migrate=True) as store:
            return store.is_new

    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(open_it, range(4)))
    assert sorted(made) == [False, False, False, True]
    with Store.open(bare_address) as store, store.read(LOCAL_SHOP) as shop:
        assert shop.wrenches.list() == ()


def test_two_services_upgrade_a_filled_store_at_once(filled, bare_address):
    with Store(bare_address) as old:
        migrate_to(old, REVISIONS[0])
        before = put_rows(old, every_row(filled))
    with ThreadPoolExecutor(2) as pool:
        for store in pool.map(lambda _: Store.open(bare_address, migrate=True), range(2)):
            store.close()
    with Store.open(bare_address) as store:
        store.require_ready()
        assert every_row(store, {"checks": list(before["checks"][0])})["checks"] == before["checks"]


def test_the_last_revision_is_the_one_of_this_code():
    assert REVISIONS[-1] == HEAD
