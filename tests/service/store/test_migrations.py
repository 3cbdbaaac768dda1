"""The schema: built from nothing and once, equal to the models, refused when it is another."""

import sqlite3

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.store import LOCAL_SHOP, Store, StoreUnusable
from service.store import migrate as migrations
from service.store.tables import Base


def schema(path):
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT type, name, sql FROM sqlite_schema ORDER BY name")
        found = rows.fetchall()
    connection.close()
    return found


def test_the_migrated_schema_equals_the_models(empty_store):
    with empty_store._writer.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        assert compare_metadata(context, Base.metadata) == []


def test_the_comparison_would_see_a_difference(empty_store):
    """The test above can fail: a column taken from the database is missed."""
    with empty_store._writer.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE wrenches DROP COLUMN drive")
        context = MigrationContext.configure(connection)
        (difference,) = compare_metadata(context, Base.metadata)
    assert difference[0] == "add_column"
    assert difference[3].name == "drive"


@pytest.mark.sqlite
def test_check_constraints_equal_those_of_the_models(empty_store):
    """Alembic does not compare them."""
    sql = next(sql for kind, name, sql in schema(empty_store.path) if name == "checks")
    for constraint in Base.metadata.tables["checks"].constraints:
        if hasattr(constraint, "sqltext"):
            assert f"CONSTRAINT {constraint.name} CHECK ({constraint.sqltext})" in sql


@pytest.mark.sqlite
def test_migrating_again_changes_nothing(tmp_path):
    path = tmp_path / "shop.db"
    Store.open(path, migrate=True).close()
    before = schema(path)
    Store.open(path, migrate=True).close()
    assert schema(path) == before


def test_the_known_revisions_are_those_of_the_scripts():
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    scripts = ScriptDirectory.from_config(config)
    found = [script.revision for script in scripts.walk_revisions()]
    assert tuple(reversed(found)) == migrations.REVISIONS


@pytest.mark.sqlite
def test_a_failing_migration_leaves_nothing_behind(tmp_path, monkeypatch):
    path = tmp_path / "shop.db"

    def fail(connection, shop):
        raise RuntimeError("on purpose")

    with monkeypatch.context() as patch:
        patch.setattr("service.store.store._add_shop", fail)
        with pytest.raises(RuntimeError, match="on purpose"):
            Store.open(path, migrate=True)
    assert schema(path) == []
    with Store.open(path, migrate=True) as store, store.read(LOCAL_SHOP) as shop:
        assert shop.wrenches.list() == ()


@pytest.mark.sqlite
def test_a_missing_store_is_not_made_in_silence(tmp_path):
    with pytest.raises(StoreUnusable, match="db upgrade"):
        Store.open(tmp_path / "shop.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.sqlite
def test_a_store_without_schema_asks_for_the_upgrade(tmp_path):
    path = tmp_path / "shop.db"
    sqlite3.connect(path).close()
    path.touch()
    with pytest.raises(StoreUnusable, match="schema is at nothing, this code needs"):
        Store.open(path)


@pytest.mark.sqlite
def test_a_newer_schema_is_left_alone(tmp_path):
    path = tmp_path / "shop.db"
    Store.open(path, migrate=True).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    for migrate in (False, True):
        with pytest.raises(StoreUnusable, match="'9999' is not known to this version"):
            Store.open(path, migrate=migrate)


@pytest.mark.sqlite
def test_the_database_of_something_else_is_left_alone(tmp_path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE songs (title TEXT)")
    connection.close()
    with pytest.raises(StoreUnusable, match="database of something else"):
        Store.open(path, migrate=True)
    assert [name for _, name, _ in schema(path)] == ["songs"]


@pytest.mark.sqlite
def test_a_file_that_is_no_database_is_left_alone(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("torque the wheel nuts\n" * 100)
    with pytest.raises(StoreUnusable, match="cannot be used as a store"):
        Store.open(path, migrate=True)
    assert path.read_text().startswith("torque the wheel nuts")


@pytest.mark.sqlite
@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("mysql://db/shop", "not a store this version can open"),
        ("sqlite://", "not a store this version can open"),
        ("no such://thing", "cannot be read as a URL: give the path of a file"),
        ("missing/directory/shop.db", "there is no directory"),
    ],
)
def test_a_place_that_cannot_hold_a_store_is_named(place, message):
    with pytest.raises(StoreUnusable, match=message):
        Store.open(place, migrate=True)


@pytest.mark.sqlite
def test_a_url_opens_the_same_store_as_its_path(tmp_path):
    path = tmp_path / "with % and space.db"
    with Store.open(path, migrate=True) as store:
        store.add_shop("second")
    with Store.open(f"sqlite:///{path}") as store, store.read("second") as shop:
        assert shop.checks.list() == ()
        store.require_ready()
