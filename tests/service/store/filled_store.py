"""A store with something in every table, and its rows in a store of an earlier schema."""

from dataclasses import replace
from datetime import date
from typing import Any

from alembic import command
from alembic.config import Config
from sample_angle_checks import an_angle_check
from sample_records import NOW, a_check, a_pull, a_tester, a_wrench
from sqlalchemy import Connection, MetaData, Table, select

from analysis.vocabulary import CheckKind, Direction
from service.access.caller import TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.records import SignIn
from service.access.tokens import make_token
from service.booking_records import Booking
from service.records import Event, EventKind, Policy, Quarantine
from service.store import LOCAL_SHOP, ShopStore, Store
from service.store.laws import StoredLaws

Rows = dict[str, list[dict[str, Any]]]


def fill(store: Store) -> None:
    """Records of every kind, some of them voided, in the local shop and in another."""
    store.add_shop("next door")
    for key in (LOCAL_SHOP, "next door"):
        with store.write(key) as shop:
            _fill(shop)


def _fill(shop: ShopStore) -> None:
    wrench = shop.wrenches.add(a_wrench())
    shop.testers.add(a_tester())
    wrong = shop.checks.add(a_check())
    shop.checks.void(wrong.id, "wrong tester", NOW)
    check = shop.checks.add(a_check(replaces=wrong.id))
    held = Quarantine(direction=Direction.CLOCKWISE, check=check.id, since=NOW)
    shop.wrenches.update(replace(wrench, quarantine=(held,)), 1)
    pull = a_pull()
    shop.pulls.add_many([pull, a_pull(job="W-2")])
    shop.pulls.void(pull.id, "another wrench", NOW)
    angle = shop.angle_checks.add(an_angle_check())
    shop.angle_checks.void(angle.id, "wrong tester", NOW)
    shop.angle_checks.add(an_angle_check(id="angle-2", replaces=angle.id))
    shop.events.add(
        Event(wrench="TW-1", kind=EventKind.CHECK_RECORDED, recorded_at=NOW, check=check.id)
    )
    shop.bookings.add(
        Booking(
            id="b-1", wrench="TW-1", kind=CheckKind.AS_FOUND, day=date(2026, 5, 8), recorded_at=NOW
        )
    )
    shop.policy.put(Policy(), 1, at=NOW)
    token, _ = make_token(shop, name="bench 2", scope=TokenScope.BENCH, by=None, now=NOW)
    session = Credential.draw(CredentialKind.SESSION)
    shop.sign_ins.add(
        SignIn(
            id=session.id,
            kind=session.kind,
            token=token,
            digest=session.digest,
            made_at=NOW,
            expires_at=NOW,
        )
    )
    shop.laws.put("method 2", StoredLaws("a-1", '{"families":[]}'), NOW)
    shop.idempotency.keep("key", "digest", 201, b"{}", {"ETag": "x"}, NOW)


def migrate_to(store: Store, revision: str) -> None:
    """Bring a store that was not opened to a revision, as the release of that schema left it."""
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    store._backend.find(make=True)
    with store._writer.begin() as connection:
        store._backend.enter(connection, None)
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        store._backend.finish_schema(connection)


def every_row(store: Store, columns: dict[str, list[str]] | None = None) -> Rows:
    """All rows of all tables, whatever the shop, in the columns named, else in every one."""
    with store._writer.begin() as connection:
        store._backend.enter(connection, None)
        rows: Rows = {}
        for table in tables_of(connection):
            names = (
                [each.name for each in table.columns]
                if columns is None
                else columns.get(table.name, [])
            )
            if names:
                query = select(*(table.columns[name] for name in names)).order_by(
                    *table.primary_key.columns
                )
                rows[table.name] = [dict(row) for row in connection.execute(query).mappings()]
    return rows


def put_rows(store: Store, rows: Rows) -> Rows:
    """The rows as far as this store's schema has their tables and columns, once they are in it."""
    put: Rows = {}
    with store._writer.begin() as connection:
        store._backend.enter(connection, None)
        for table in tables_of(connection):
            names = {each.name for each in table.columns}
            put[table.name] = [
                {name: value for name, value in row.items() if name in names}
                for row in rows[table.name]
            ]
            if put[table.name]:
                connection.execute(table.insert(), put[table.name])
    return put


def tables_of(connection: Connection) -> list[Table]:
    """In an order in which they can be filled: the parts of a check before the check."""
    schema = MetaData()
    schema.reflect(connection)
    parts = ["points", "readings", "angle_readings"]
    found = [t for t in schema.sorted_tables if t.name != "alembic_version"]
    whole = min(n for n, table in enumerate(found) if table.name in {"checks", "angle_checks"})
    early = [table for name in parts for table in found if table.name == name]
    return [*(t for t in found[:whole] if t not in early), *early,
            *(t for t in found[whole:] if t not in early)]  # fmt: skip
