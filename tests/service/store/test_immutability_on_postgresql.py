"""A PostgreSQL server itself refuses edits of what was recorded, whoever asks."""

import pytest
from filled_store import fill
from postgresql_server import connect
from psycopg.errors import Error, IntegrityError

pytestmark = pytest.mark.postgresql

NEVER_EDITED = ("policies", "points", "readings", "angle_readings", "wrench_events", "bookings")
ONLY_VOIDED = ("checks", "angle_checks", "pulls")
PARTS = ("points", "readings", "angle_readings")

# Something else than what is there, by the type of the column.
OTHER = {
    "integer": "coalesce({} + 1, 1)",
    "bigint": "coalesce({} + 1, 1)",
    "double precision": "coalesce({} + 1, 1)",
    "character varying": "coalesce({} || 'x', 'x')",
    "boolean": "NOT {}",
    "date": "coalesce({} + 1, DATE '2026-05-04')",
    "json": "'{{\"another\": 1}}'::json",
}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    from service.store import Store

    with Store.open(tmp_path_factory.mktemp("immutable") / "shop.db", migrate=True) as store:
        fill(store)
        yield store.address


@pytest.fixture
def raw(place):
    """A plain connection of the owner, who sees every shop."""
    with connect(place) as plain:
        plain.execute("SELECT set_config('wrench_drift.shop', 'every', false)")
        yield plain


def columns(raw, table):
    return raw.execute(
        "SELECT column_name, data_type FROM information_schema.columns"
        " WHERE table_schema = current_schema() AND table_name = %s", [table]
    ).fetchall()  # fmt: skip


def refused(raw, statement):
    with pytest.raises(IntegrityError) as caught:
        raw.execute(statement)
    return str(caught.value)


@pytest.mark.parametrize("table", NEVER_EDITED)
def test_no_column_of_what_is_never_edited_can_be(raw, table):
    for column, kind in columns(raw, table):
        edit = f'UPDATE {table} SET "{column}" = {OTHER[kind].format(column)}'  # noqa: S608
        assert f"{table} are never edited" in refused(raw, edit)


@pytest.mark.parametrize("table", ONLY_VOIDED)
def test_no_column_is_edited_even_while_voiding(raw, table):
    """Of the records that count, which could be voided; and the void takes nothing with it."""
    for column, kind in columns(raw, table):
        if column in {"voided_at", "void_reason"}:
            continue
        edit = (
            f'UPDATE {table} SET "{column}" = {OTHER[kind].format(column)},'  # noqa: S608
            " voided_at = 1, void_reason = 'x' WHERE voided_at IS NULL"
        )
        assert "is voided once, and never edited" in refused(raw, edit)


@pytest.mark.parametrize("table", ONLY_VOIDED)
def test_a_void_stays_as_it_was_given(raw, table):
    for change in ("voided_at = NULL, void_reason = NULL", "void_reason = 'another'"):
        edit = f"UPDATE {table} SET {change} WHERE voided_at IS NOT NULL"  # noqa: S608
        assert "is voided once, and never edited" in refused(raw, edit)


@pytest.mark.parametrize("table", [*NEVER_EDITED, *ONLY_VOIDED])
def test_nothing_is_deleted_one_by_one_or_all_at_once(raw, table):
    assert f"{table} are never deleted" in refused(raw, f"DELETE FROM {table}")  # noqa: S608
    assert "are never deleted" in refused(raw, f"TRUNCATE {table} CASCADE")


def test_of_a_token_only_its_use_and_once_its_end_are_written(raw):
    for column, kind in columns(raw, "access_tokens"):
        edit = f'UPDATE access_tokens SET "{column}" = {OTHER[kind].format(column)}'  # noqa: S608
        if column not in {"last_used_at", "revoked_at"}:
            assert "access_tokens are never edited" in refused(raw, edit)
    raw.execute("UPDATE access_tokens SET last_used_at = 1, revoked_at = 2")
    assert "never edited" in refused(raw, "UPDATE access_tokens SET revoked_at = NULL")
    assert "never deleted" in refused(raw, "DELETE FROM access_tokens")


@pytest.mark.parametrize("part", PARTS)
def test_a_stored_check_takes_no_more_parts(raw, part):
    names = [name for name, _ in columns(raw, part)]
    values = ", ".join("99" if name == "position" else name for name in names)
    more = f"INSERT INTO {part} ({', '.join(names)}) SELECT {values} FROM {part} LIMIT 1"  # noqa: S608
    assert f"a stored check takes no more {part}" in refused(raw, more)


def test_a_check_is_voided_with_a_reason_and_once(raw):
    with pytest.raises(Error, match="ck_pulls_void_with_reason"):
        raw.execute("UPDATE pulls SET voided_at = 1 WHERE voided_at IS NULL")
    done = raw.execute("UPDATE pulls SET voided_at = 1, void_reason = 'x' WHERE voided_at IS NULL")
    assert done.rowcount == 2
