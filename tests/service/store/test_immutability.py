"""The database itself refuses edits of what was measured, whoever asks."""

import sqlite3

import pytest
from sample_records import NOW, a_check

from service.records import Policy
from service.store import LOCAL_SHOP, AlreadyVoided, UnknownRecord

pytestmark = pytest.mark.sqlite

CHECK_COLUMNS = (
    "shop_id", "number", "id", "wrench", "kind", "direction", "performed_at", "tester", "source",
    "operator", "temperature_c", "cycle_count", "card_issuer", "card_certificate",
    "card_issued_on", "card_expanded_uncertainty_pct", "card_coverage_factor", "card_serial",
    "card_model", "card_edition", "card_mpd_pct", "card_mpd_basis", "replaces", "recorded_at",
)  # fmt: skip


@pytest.fixture
def raw(store):
    """A plain connection that knows nothing of the service, to a store with one check in it."""
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
        shop.policy.put(Policy(), 1, at=NOW)
    connection = sqlite3.connect(store.path, isolation_level=None)
    yield connection
    connection.close()


def refused(raw, statement, *values):
    with pytest.raises(sqlite3.IntegrityError) as caught:
        raw.execute(statement, values)
    return str(caught.value)


@pytest.mark.parametrize("table", ["points", "readings", "policies"])
def test_rows_are_neither_edited_nor_deleted(raw, table):
    edit = f"UPDATE {table} SET shop_id = 2"  # noqa: S608 - the names stand above
    assert f"{table} are never edited" in refused(raw, edit)
    delete = f"DELETE FROM {table}"  # noqa: S608 - the names stand above
    assert f"{table} are never deleted" in refused(raw, delete)


def test_checks_are_not_deleted(raw):
    assert "checks are never deleted" in refused(raw, "DELETE FROM checks")


@pytest.mark.parametrize("column", CHECK_COLUMNS)
def test_no_column_of_a_check_is_edited_even_while_voiding(raw, column):
    """999 differs from every value in the row."""
    statement = f"UPDATE checks SET {column} = 999, voided_at = 1, void_reason = 'x'"  # noqa: S608
    assert "a check is voided once, and never edited" in refused(raw, statement)


def test_the_columns_tested_are_all_but_those_of_the_void(raw):
    names = {row[1] for row in raw.execute("PRAGMA table_info(checks)")}
    assert names - set(CHECK_COLUMNS) == {"voided_at", "void_reason"}


def test_a_void_needs_its_reason_and_stays(raw):
    assert "ck_checks_void_with_reason" in refused(raw, "UPDATE checks SET voided_at = 1")
    raw.execute("UPDATE checks SET voided_at = 1, void_reason = 'wrong tester'")
    for statement in (
        "UPDATE checks SET voided_at = NULL, void_reason = NULL",
        "UPDATE checks SET voided_at = 2, void_reason = 'another'",
    ):
        assert "a check is voided once" in refused(raw, statement)


MORE_READINGS = """
    INSERT INTO readings
    SELECT shop_id, check_number, point_position, 99, reference_value, reference_unit,
        reference_nm, indicated_value, indicated_unit, indicated_nm
    FROM readings LIMIT 1
"""
MORE_POINTS = """
    INSERT INTO points
    SELECT shop_id, check_number, 99, target_value, target_unit, target_nm FROM points LIMIT 1
"""


def test_a_stored_check_takes_no_more_readings(raw):
    assert "takes no more readings" in refused(raw, MORE_READINGS)
    assert "takes no more points" in refused(raw, MORE_POINTS)
    again = "INSERT OR REPLACE INTO readings SELECT * FROM readings"
    assert "takes no more readings" in refused(raw, again)


def test_replacing_a_check_under_its_number_is_refused(store, raw):
    """INSERT OR REPLACE deletes the row in its way; with the service's settings that is refused."""
    with store._writer.connect() as connection, pytest.raises(Exception, match="never deleted"):
        connection.exec_driver_sql(
            "INSERT OR REPLACE INTO checks SELECT * FROM checks WHERE number = 1"
        )


def test_voiding_once_by_the_repository(store):
    check = a_check()
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(check)
        voided = shop.checks.void(check.id, "wrong tester", NOW)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.get(check.id) == voided
        assert voided.void is not None
        assert (voided.void.at, voided.void.reason) == (NOW, "wrong tester")
        assert shop.checks.list() == ()
        assert shop.checks.list(include_voided=True) == (voided,)
    with pytest.raises(AlreadyVoided), store.write(LOCAL_SHOP) as shop:
        shop.checks.void(check.id, "again", NOW)
    with pytest.raises(UnknownRecord), store.write(LOCAL_SHOP) as shop:
        shop.checks.void("no such id", "reason", NOW)
