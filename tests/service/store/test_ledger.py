"""The chain over every record of a shop: what is altered behind the service's back is found."""

import datetime as dt
from contextlib import contextmanager

import pytest
from sample_records import NOW, TakenBack, a_check, a_wrench
from sample_shop_history import fill
from sqlalchemy import Boolean, Date, Float, Integer, text
from sqlalchemy.types import JSON

from service.audit import verify
from service.recording import record_checks
from service.store import LOCAL_SHOP, ShopStore, Store
from service.store.ledger import EntryKind
from service.store.ledger_form import GENESIS, canonical, entry_hash, sha256
from service.store.tables import Base

pytestmark = pytest.mark.sqlite  # alters the file past its triggers

# What is no evidence: answers kept for a while by their key, credentials, the shops themselves.
NOT_CHAINED = {"shops", "idempotent_answers", "access_tokens", "sign_ins", "laws"}
CHAINED = sorted(Base.metadata.tables.keys() - NOT_CHAINED)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A store whose local shop holds a record of every kind; a second shop is empty."""
    path = tmp_path_factory.mktemp("ledger") / "shop.db"
    with Store.open(path, migrate=True) as store:
        store.add_shop("second")
        with store.write(LOCAL_SHOP) as records:
            fill(records)
        yield store


@contextmanager
def tampering(store):
    """A connection past triggers, natural keys and constraints; all it did is taken back."""
    with store._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA defer_foreign_keys=ON")
        connection.exec_driver_sql("PRAGMA ignore_check_constraints=ON")
        triggers = connection.exec_driver_sql(
            "SELECT name FROM sqlite_schema WHERE type = 'trigger'"
        ).scalars()
        for name in triggers.all():
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        for name in ("checks", "angle_checks", "pulls"):
            connection.exec_driver_sql(f"DROP INDEX uq_{name}_natural_key")
        yield connection
        connection.rollback()
        connection.exec_driver_sql("PRAGMA ignore_check_constraints=OFF")


def audited(connection, **asked):
    return verify(ShopStore(connection, 1, LOCAL_SHOP), **asked)


def keys_of(connection, table):
    names = [column.name for column in table.primary_key.columns]
    listed = ", ".join(f'"{name}"' for name in names)
    rows = connection.exec_driver_sql(f"SELECT {listed} FROM {table.name}")
    where = " AND ".join(f'"{name}" = :key_{name}' for name in names)
    return where, [
        {f"key_{name}": value for name, value in zip(names, row, strict=True)} for row in rows
    ]


def other_values(column, value):
    """Values that say something else than the one stored, of the column's type and of another."""
    kind = column.type
    if isinstance(kind, JSON):
        yield '[{"field": "model", "before": null, "after": "x"}]'
    elif isinstance(kind, Boolean):
        yield 1 - value
    elif isinstance(kind, Date):
        yield "2001-01-01"
        yield "yesterday"
    elif isinstance(kind, Float):
        yield 1.0 if value is None else value * (1 + 2**-52) or 5e-324
        yield "much"
    elif isinstance(kind, Integer) or isinstance(value, int) or column.name.endswith("_at"):
        yield 2 if value is None else value + 1000
        yield "late"
    else:
        yield "x" if value is None else f"{value}x"
    if value is not None:
        yield None


def alterations(connection, table):
    where, keys = keys_of(connection, table)
    for key in keys:
        row = connection.execute(text(f"SELECT * FROM {table.name} WHERE {where}"), key)
        stored = row.mappings().one()
        for column in table.columns:
            others = list(other_values(column, stored[column.name]))
            if column.name == "shop_id":
                others = [2]  # the second shop, in which nothing was recorded
            for value in others:
                if value is None and not column.nullable:
                    continue
                yield where, key, column.name, value


def test_what_the_service_wrote_fits(filled):
    with filled.read(LOCAL_SHOP) as records:
        found = verify(records)
        kinds = set(records.ledger.distinct())
    assert found.misfit is None
    assert found.entries == found.head.number > 30
    assert kinds == set(EntryKind)


@pytest.mark.parametrize("table", CHAINED)
def test_every_alteration_of_every_field_is_found(filled, table):
    tried = 0
    with tampering(filled) as connection:
        assert audited(connection).misfit is None
        for where, key, column, value in list(alterations(connection, Base.metadata.tables[table])):
            with connection.begin_nested() as altered:
                changed = connection.execute(
                    text(f'UPDATE {table} SET "{column}" = :value WHERE {where}'),
                    {"value": value, **key},
                )
                assert changed.rowcount == 1
                assert audited(connection).misfit is not None, (key, column, value)
                altered.rollback()
            tried += 1
        assert audited(connection).misfit is None
    assert tried >= 6


@pytest.mark.parametrize("table", CHAINED)
def test_every_row_taken_away_is_found(filled, table):
    with tampering(filled) as connection:
        head = audited(connection).head.hash
        where, keys = keys_of(connection, Base.metadata.tables[table])
        assert keys
        for key in keys:
            with connection.begin_nested() as altered:
                connection.execute(text(f"DELETE FROM {table} WHERE {where}"), key)
                assert audited(connection, since_head=head).misfit is not None, key
                altered.rollback()


@pytest.mark.parametrize("table", CHAINED)
def test_every_row_slipped_in_is_found(filled, table):
    """A copy of each row under a key of its own; in the ledger, at the end of the chain."""
    model = Base.metadata.tables[table]
    changed = {"number", "position", "serial", "version", "direction", "id"} & set(
        model.columns.keys()
    )
    if table == "ledger":
        changed = {"number"}
    names = [f'"{column.name}"' for column in model.columns]
    values = [
        (f"{name} || 'x'" if column.name in ("serial", "direction", "id") else f"{name} + 1000")
        if column.name in changed
        else name
        for name, column in zip(names, model.columns, strict=True)
    ]
    with tampering(filled) as connection:
        where, keys = keys_of(connection, model)
        for key in keys:
            with connection.begin_nested() as altered:
                connection.execute(
                    text(
                        f"INSERT INTO {table} ({', '.join(names)}) "
                        f"SELECT {', '.join(values)} FROM {table} WHERE {where}"
                    ),
                    key,
                )
                assert audited(connection).misfit is not None, key
                altered.rollback()


def test_two_entries_that_change_places_are_found(filled):
    with tampering(filled) as connection:
        for one, other in ((1, 2), (4, 9)):
            with connection.begin_nested() as altered:
                for number, place in ((one, -1), (other, one), (-1, other)):
                    connection.exec_driver_sql(
                        "UPDATE ledger SET number = ? WHERE number = ?", (place, number)
                    )
                misfit = audited(connection).misfit
                altered.rollback()
            assert misfit.number == one


def test_the_first_entry_that_does_not_fit_is_named_with_what_differs(filled):
    with tampering(filled) as connection:
        connection.exec_driver_sql("UPDATE wrenches SET model = 'other' WHERE serial = 'TW-1'")
        connection.exec_driver_sql("UPDATE readings SET reference_nm = 1 WHERE check_number = 2")
        first = audited(connection)
        number = connection.exec_driver_sql(
            "SELECT max(number) FROM ledger WHERE kind = 'wrench' AND record = 'TW-1'"
        ).scalar_one()
    assert first.misfit.number == number == first.entries + 1
    assert "wrench TW-1 differs in model ('click wrench' when recorded, 'other' now)" in (
        first.misfit.what
    )


def rewritten(connection):
    """Every hash worked out anew, as one would who can write the file and knows the form."""
    previous = GENESIS
    for row in connection.exec_driver_sql("SELECT * FROM ledger ORDER BY number").mappings().all():
        fields = {name: row[name] for name in ("number", "kind", "record", "digest")}
        own = entry_hash(**fields, at_us=row["at"], previous=previous)
        connection.exec_driver_sql(
            "UPDATE ledger SET previous = ?, hash = ? WHERE number = ?",
            (previous, own, row["number"]),
        )
        previous = own


def test_a_last_entry_taken_away_with_its_record_is_found_by_the_noted_head(filled):
    with tampering(filled) as connection:
        head = audited(connection).head
        assert head.kind == "booking"
        connection.exec_driver_sql("DELETE FROM ledger WHERE number = ?", (head.number,))
        connection.exec_driver_sql("DELETE FROM bookings WHERE version = 2")
        assert audited(connection).misfit is None
        found = audited(connection, since_head=head.hash)
    assert head.hash in found.misfit.what


def test_a_chain_written_anew_is_found_by_the_noted_head_alone(filled):
    with tampering(filled) as connection:
        head = audited(connection).head.hash
        connection.exec_driver_sql("UPDATE policies SET recorded_at = recorded_at + 1")
        row = connection.exec_driver_sql("SELECT * FROM policies").mappings().one()
        content = ShopStore(connection, 1, LOCAL_SHOP).contents.of(
            EntryKind.POLICY, [str(row["version"])]
        )
        connection.exec_driver_sql(
            "UPDATE ledger SET digest = ? WHERE kind = 'policy'",
            (sha256(canonical(content[str(row["version"])])),),
        )
        assert audited(connection).misfit is not None
        rewritten(connection)
        assert audited(connection).misfit is None
        assert audited(connection, since_head=head).misfit is not None


def test_a_noted_head_stays_in_the_chain_as_it_grows(store):
    with store.read(LOCAL_SHOP) as records:
        noted = records.ledger.head()
    with store.write(LOCAL_SHOP) as records:
        record_checks(records, [a_check()], person=None, now=NOW)
    with store.read(LOCAL_SHOP) as records:
        found = verify(records, since_head=noted.hash)
    assert found.misfit is None
    assert found.noted_at == noted.number < found.entries


def test_what_is_taken_back_leaves_no_entry(store):
    with store.read(LOCAL_SHOP) as records:
        before = records.ledger.head()
    with pytest.raises(TakenBack), store.write(LOCAL_SHOP) as records:  # noqa: PT012
        records.wrenches.add(a_wrench("TW-9"))
        raise TakenBack
    with store.read(LOCAL_SHOP) as records:
        assert records.ledger.head() == before
        assert verify(records).misfit is None


def test_the_ledger_refuses_edits(filled):
    with filled._writer.connect() as connection:
        for statement in ("UPDATE ledger SET digest = ''", "DELETE FROM ledger"):
            with pytest.raises(Exception, match="ledger are never"):
                connection.exec_driver_sql(statement)


def test_a_shop_without_records_has_no_head(filled):
    with filled.read("second") as records:
        found = verify(records)
    assert (found.entries, found.head, found.misfit) == (0, None, None)


def test_the_form_of_an_entry_is_the_published_one():
    """Worked by hand with `sha256sum` over the text; a changed form would break every chain."""
    assert canonical({"b": [1, 2.5, "µ"], "a": None}) == '{"a":null,"b":[1,2.5,"\\u00b5"]}'
    own = entry_hash(
        number=1, kind="check", record="c1", at_us=1, digest=sha256("{}"), previous=GENESIS
    )
    assert own == sha256(
        f'{{"at":1,"digest":"{sha256("{}")}","kind":"check","number":1,'
        f'"previous":"{GENESIS}","record":"c1"}}'
    )
    # FIPS 180-4, SHA-256 of "abc", from memory.
    assert sha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_instants_are_whole_microseconds(filled):
    with filled.read(LOCAL_SHOP) as records:
        head = records.ledger.head()
    assert head.at.tzinfo is dt.UTC
    assert head.expected_hash() == head.hash
