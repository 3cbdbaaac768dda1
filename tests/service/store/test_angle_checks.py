"""Angle checks in the store: complete, never edited, added to a store that holds older records."""

import sqlite3

import pytest
from alembic import command
from alembic.config import Config
from sample_angle_checks import an_angle_check
from sample_records import NOW, a_card, a_check, a_tester, a_wrench

from service.records import AnglePerformance
from service.store import LOCAL_SHOP, DuplicateRecord, Store
from service.store import migrate as migrations
from service.store.engine import open_writer

COLUMNS = (
    "shop_id", "number", "id", "wrench", "kind", "direction", "performed_at", "tester", "source",
    "operator", "expanded_uncertainty_deg", "coverage_factor", "card_issuer", "card_certificate",
    "card_issued_on", "replaces", "recorded_at",
)  # fmt: skip


@pytest.mark.parametrize(
    "check",
    [
        an_angle_check(),
        an_angle_check(
            tester=None,
            operator=None,
            expanded_uncertainty_deg=None,
            coverage_factor=None,
            card=a_card(),
        ),
    ],
    ids=["tester", "card"],
)
def test_an_angle_check_comes_back_as_it_went_in(store, check):
    with store.write(LOCAL_SHOP) as shop:
        shop.angle_checks.add(check)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.angle_checks.get(check.id) == check
        assert shop.angle_checks.every() == (check,)


def test_the_natural_key_is_free_again_once_a_check_is_voided(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.angle_checks.add(an_angle_check())
        with pytest.raises(DuplicateRecord):
            shop.angle_checks.add(an_angle_check(id="angle-2"))
        shop.angle_checks.void("angle-1", "slipped", NOW)
        shop.angle_checks.add(an_angle_check(id="angle-2", replaces="angle-1"))
        assert [each.id for each in shop.angle_checks.every()] == ["angle-2"]


def test_an_angle_check_does_not_have_the_fleet_fitted_anew(store):
    with store.write(LOCAL_SHOP) as shop:
        before = shop.evidence_version()
        shop.angle_checks.add(an_angle_check())
        assert shop.evidence_version() == before


@pytest.fixture
def raw(store):
    """A plain connection that knows nothing of the service."""
    with store.write(LOCAL_SHOP) as shop:
        shop.angle_checks.add(an_angle_check())
    connection = sqlite3.connect(store.path, isolation_level=None)
    yield connection
    connection.close()


def refused(raw, statement):
    with pytest.raises(sqlite3.IntegrityError) as caught:
        raw.execute(statement)
    return str(caught.value)


@pytest.mark.sqlite
@pytest.mark.parametrize("column", COLUMNS)
def test_no_column_is_edited_even_while_voiding(raw, column):
    statement = f"UPDATE angle_checks SET {column} = 999, voided_at = 1, void_reason = 'x'"  # noqa: S608
    assert "voided once, and never edited" in refused(raw, statement)


@pytest.mark.sqlite
def test_the_columns_tested_are_all_but_those_of_the_void(raw):
    names = {row[1] for row in raw.execute("PRAGMA table_info(angle_checks)")}
    assert names - set(COLUMNS) == {"voided_at", "void_reason"}


@pytest.mark.sqlite
def test_readings_are_neither_edited_nor_deleted_nor_added(raw):
    assert "never edited" in refused(raw, "UPDATE angle_readings SET target_deg = 1")
    assert "never deleted" in refused(raw, "DELETE FROM angle_readings")
    assert "never deleted" in refused(raw, "DELETE FROM angle_checks")
    more = "INSERT INTO angle_readings SELECT shop_id, check_number, 9, position, 1, 1, 1"
    assert "takes no more" in refused(raw, f"{more} FROM angle_readings LIMIT 1")


@pytest.mark.sqlite
def test_a_store_from_before_angle_checks_keeps_its_records(tmp_path):
    """Built at the revision before, filled by hand as that code did, then upgraded."""
    path = tmp_path / "old.db"
    with Store.open(tmp_path / "now.db", migrate=True) as now, now.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench())
        shop.testers.add(a_tester())
        check = shop.checks.add(a_check())
    _at_revision(path, "0001")
    with sqlite3.connect(path) as old:
        old.execute("ATTACH ? AS source", (str(tmp_path / "now.db"),))
        for table in ("shops", "wrenches", "testers", "points", "readings", "checks"):
            names = ", ".join(row[1] for row in old.execute(f"PRAGMA main.table_info({table})"))
            old.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM source.{table}")  # noqa: S608
    old.close()
    with Store.open(path, migrate=True) as store, store.write(LOCAL_SHOP) as shop:
        assert shop.checks.get(check.id) == check
        wrench = shop.wrenches.get("TW-1")
        assert wrench == a_wrench()
        shown = a_wrench(angle=AnglePerformance(mpd_deg=2.0, highest_deg=360.0))
        assert shop.wrenches.update(shown, 1).angle == shown.angle
        assert shop.wrenches.get("TW-1").angle == shown.angle
        shop.angle_checks.add(an_angle_check())


def _at_revision(path, revision):
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    path.touch()
    engine = open_writer(path)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        assert migrations.revision_of(connection) == revision
    engine.dispose()
