"""PostgreSQL keeps shops apart even where a query forgets to."""

import pytest
from postgresql_server import connect
from sample_records import NOW, a_check, a_pull, a_tester, a_wrench
from sqlalchemy import inspect, select, text, update
from sqlalchemy.exc import ProgrammingError

from service.store import LOCAL_SHOP, Store, StoreUnusable
from service.store.scope import Scope
from service.store.tables import CheckRow, ReadingRow, WrenchRow

pytestmark = pytest.mark.postgresql


@pytest.fixture
def two_shops(store):
    """The local shop and another, with a check and a pull in each."""
    store.add_shop("next door")
    with store.write("next door") as shop:
        shop.wrenches.add(a_wrench("ND-1"))
        shop.testers.add(a_tester())
        shop.checks.add(a_check("ND-1"))
        shop.pulls.add_many([a_pull(wrench="ND-1")])
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
        shop.pulls.add_many([a_pull()])
    return store


def scope(shop) -> Scope:
    return shop.checks._scope


def test_a_query_without_its_shop_sees_nothing_of_another(two_shops):
    with two_shops.read(LOCAL_SHOP) as shop:
        connection = scope(shop).connection
        assert connection.execute(select(WrenchRow.serial)).scalars().all() == ["TW-1"]
        assert connection.execute(select(CheckRow.wrench)).scalars().all() == ["TW-1"]
        mine = scope(shop).shop_id
        for (table,) in connection.execute(text(TABLES)).all():
            found = connection.execute(text(f'SELECT DISTINCT shop_id FROM "{table}"'))  # noqa: S608
            assert set(found.scalars()) <= {mine}


def test_the_filter_taken_out_of_a_repository_shows_nothing_of_another(two_shops, monkeypatch):
    """The repository's own query, its condition on the shop replaced by a true one."""
    other = {"ND-1"}
    monkeypatch.setattr("service.store.checks.Checks._all", lambda _: select(CheckRow.__table__))
    with two_shops.read(LOCAL_SHOP) as shop:
        assert {check.wrench for check in shop.checks.list()} == {"TW-1"}
        # The test can fail: let out of its shop, the same query shows both.
        two_shops._backend.enter(scope(shop).connection, None)
        found = scope(shop).connection.execute(select(CheckRow.wrench)).scalars()
        assert other <= set(found)


def test_rows_of_another_shop_are_neither_changed_nor_written(two_shops):
    with two_shops.write(LOCAL_SHOP) as shop:
        changed = scope(shop).connection.execute(
            update(WrenchRow).where(WrenchRow.serial == "ND-1").values(model="taken over")
        )
        assert changed.rowcount == 0
    with (
        pytest.raises(ProgrammingError, match="row-level security"),
        two_shops.write(LOCAL_SHOP) as shop,
    ):
        scope(shop).connection.execute(
            update(WrenchRow).where(WrenchRow.serial == "TW-1").values(shop_id=2)
        )


def test_a_transaction_that_names_no_shop_sees_no_row(two_shops):
    """On a connection that was in a shop before, and on one that never was."""
    with two_shops._writer.connect() as connection, connection.begin():
        assert connection.execute(select(ReadingRow.shop_id)).all() == []
    with two_shops._writer.connect() as connection:
        with connection.begin():
            two_shops._backend.enter(connection, 1)
            assert connection.execute(select(ReadingRow.shop_id)).all()
        with connection.begin():
            assert connection.execute(select(ReadingRow.shop_id)).all() == []


# Apart from the code under test: every table of the schema that has the column.
TABLES = """
    SELECT table_name FROM information_schema.columns
    WHERE table_schema = current_schema() AND column_name = 'shop_id' ORDER BY table_name
"""


def test_every_table_with_a_shop_is_bound_for_its_owner_too(empty_store):
    with connect(empty_store.address) as plain:
        tables = [name for (name,) in plain.execute(TABLES)]
        assert {"checks", "readings", "pulls", "wrench_events", "idempotent_answers"} <= set(tables)
        for table in tables:
            assert plain.execute(
                "SELECT relrowsecurity, relforcerowsecurity FROM pg_class"
                " WHERE oid = %s::regclass", [table]
            ).fetchone() == (True, True), table  # fmt: skip
            policies = plain.execute(
                "SELECT policyname, cmd, with_check FROM pg_policies WHERE tablename = %s"
                " ORDER BY policyname", [table]
            ).fetchall()  # fmt: skip
            # Without a check of its own, what may be seen is what may be written.
            assert policies == [("every_shop", "ALL", None), ("one_shop", "ALL", None)], table


def test_a_table_that_a_later_release_brings_is_bound_without_its_doing(empty_store):
    with empty_store._writer.begin() as connection:
        connection.execute(text("CREATE TABLE later (shop_id integer NOT NULL, note varchar)"))
        connection.execute(text("INSERT INTO later VALUES (1, 'one'), (2, 'two')"))
        empty_store._backend.finish_schema(connection)
    with empty_store.read(LOCAL_SHOP) as shop:
        connection = scope(shop).connection
        assert connection.execute(text("SELECT note FROM later")).scalars().all() == ["one"]


def test_text_sorts_by_code_point_as_it_does_in_a_file(empty_store):
    """Else the pages of a list, which go on after a serial, would depend on the server."""
    serials = ["a-1", "B-2", "ä-3", "Z-4", "_5", "10", "9"]
    with empty_store.write(LOCAL_SHOP) as shop:
        for serial in serials:
            shop.wrenches.add(a_wrench(serial))
    with empty_store.read(LOCAL_SHOP) as shop:
        assert [wrench.serial for wrench in shop.wrenches.list()] == sorted(serials)
        columns = inspect(scope(shop).connection).get_columns("wrenches")
    assert {c["type"].collation for c in columns if str(c["type"]).startswith("VARCHAR")} == {"C"}


def test_a_role_that_security_does_not_bind_is_refused(databases, empty_store):
    superuser = empty_store.address.set(
        username=databases.server.username, password=databases.server.password
    )
    with pytest.raises(StoreUnusable, match="row-level security does not bind the role"):
        Store.open(superuser)


def test_voided_and_read_in_one_shop_alone(two_shops):
    """What the service does every day goes on under the policies."""
    with two_shops.write("next door") as shop:
        (check,) = shop.checks.list()
        shop.checks.void(check.id, "wrong tester", NOW)
    with two_shops.read(LOCAL_SHOP) as shop:
        assert len(shop.checks.list()) == 1
