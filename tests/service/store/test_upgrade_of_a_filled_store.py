"""A store of the first schema with data in it, brought up to this one."""

import sqlite3
from datetime import timedelta

import pytest
from alembic import command
from alembic.config import Config
from sample_records import NOW
from sqlalchemy import create_engine

from analysis.deviation import with_deviations
from analysis.standing import standings
from service.audit import verify
from service.records import EventKind, ServiceStatus
from service.store import LOCAL_SHOP, Store
from service.store import migrate as migrations

pytestmark = pytest.mark.sqlite


def us(days_ago):
    return int((NOW - timedelta(days=days_ago)).timestamp() * 1e6)


# wrench, kind, direction, days ago, what the tester read at a target of 100 N·m
CHECKS = (
    ("OUT", "verification", "clockwise", 90, 99.0),
    ("OUT", "as_found", "clockwise", 60, 94.0),
    ("OUT", "as_found", "clockwise", 50, 94.0),
    ("OUT", "as_found", "clockwise", 40, 99.0),
    ("BACK", "as_found", "clockwise", 60, 94.0),
    ("BACK", "as_left", "clockwise", 60, 99.0),
    ("VOIDED", "as_found", "clockwise", 60, 94.0),
    # ±4 % of full scale is 8 % of reading at half of it.
    ("WIDE", "as_found", "clockwise", 60, 47.0),
    ("WIDE", "as_found", "counter_clockwise", 60, 40.0),
    ("EDGE", "as_found", "clockwise", 60, 100 / 1.04),
)


@pytest.fixture
def filled(tmp_path):
    """Path of a store of schema 0001, filled without the help of today's code."""
    path = tmp_path / "shop.db"
    engine = create_engine(f"sqlite:///{path}")
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    raw = sqlite3.connect(path)
    raw.execute("INSERT INTO shops VALUES (1, ?, 'token', 0)", (LOCAL_SHOP,))
    for place, serial in enumerate(("OUT", "BACK", "VOIDED", "WIDE", "EDGE", "NEW")):
        basis = "full_scale" if serial == "WIDE" else "reading"
        raw.execute(
            "INSERT INTO wrenches VALUES (1, ?, 'spring', 'type_ii_setting', NULL, 20, 'N.m', 20,"
            " 100, 'N.m', 100, 4, ?, 4, ?, NULL, NULL, NULL, NULL, 'in_service', NULL, NULL, ?, 1)",
            (serial, basis, basis, us(400 - place)),
        )
    raw.execute(
        "INSERT INTO testers VALUES (1, 'TB-1', NULL, 10, 'N.m', 10, 200, 'N.m', 200, 0.6, 2, 'C',"
        " '2025-01-10', '2027-01-10', ?, 1)",
        (us(500),),
    )
    for number, (wrench, kind, direction, days_ago, value) in enumerate(CHECKS, start=1):
        target = 50 if wrench == "WIDE" else 100
        raw.execute("INSERT INTO points VALUES (1, ?, 0, ?, 'N.m', ?)", (number, target, target))
        raw.execute(
            "INSERT INTO readings VALUES (1, ?, 0, 0, ?, 'N.m', ?, ?, 'N.m', ?)",
            (number, value, value, target, target),
        )
        voided = (us(1), "wrong tester") if wrench == "VOIDED" else (None, None)
        raw.execute(
            "INSERT INTO checks VALUES (1, ?, ?, ?, ?, ?, ?, 'TB-1', '[\"tester\", \"TB-1\"]',"
            " 'bench 2', NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, ?, ?, ?)",
            (
                number,
                f"c{number}",
                wrench,
                kind,
                direction,
                us(days_ago),
                us(days_ago - 1),
                *voided,
            ),
        )
    raw.commit()
    raw.close()
    return path


@pytest.fixture
def upgraded(filled):
    with Store.open(filled, migrate=True) as store:
        yield store


def test_every_check_is_still_there_and_says_the_same(upgraded):
    with upgraded.read(LOCAL_SHOP) as shop:
        checks = list(shop.checks.list(include_voided=True))
    assert {check.id for check in checks} == {f"c{n}" for n in range(1, len(CHECKS) + 1)}
    assert all(check.operator == "bench 2" and check.card is None for check in checks)


def test_wrenches_that_were_found_out_are_in_quarantine(upgraded):
    with upgraded.read(LOCAL_SHOP) as shop:
        held = {
            (wrench.serial, each.direction.value): (each.check, each.since)
            for wrench in shop.wrenches.list(status=ServiceStatus.OUT_OF_SERVICE)
            for each in wrench.quarantine
        }
    assert held == {
        ("OUT", "clockwise"): ("c2", NOW - timedelta(days=60)),
        ("WIDE", "counter_clockwise"): ("c9", NOW - timedelta(days=60)),
    }


def test_the_upgrade_finds_the_same_as_the_rule_of_today(upgraded):
    with upgraded.read(LOCAL_SHOP) as shop:
        by_rule = {
            key: standing.found_out_by
            for key, standing in standings(with_deviations(*shop.evidence(NOW))).items()
            if standing.found_out
        }
        stored = {
            (wrench.serial, each.direction): each.check
            for wrench in shop.wrenches.list()
            for each in wrench.quarantine
        }
    assert stored == by_rule


def test_the_trail_begins_with_what_the_records_tell(upgraded):
    with upgraded.read(LOCAL_SHOP) as shop:
        voided, recorded, registered = shop.events.list("VOIDED")
        numbers = [
            (event.recorded_at, event.number)
            for wrench in shop.wrenches.list()
            for event in shop.events.list(wrench.serial)
        ]
    assert registered.kind is EventKind.REGISTERED
    assert registered.recorded_at == NOW - timedelta(days=398)
    assert (recorded.kind, recorded.person) == (EventKind.CHECK_RECORDED, "bench 2")
    assert (voided.kind, voided.why) == (EventKind.CHECK_VOIDED, "wrong tester")
    assert [number for _, number in sorted(numbers)] == sorted(number for _, number in numbers)


def test_the_upgraded_checks_are_closed_to_edits_with_their_new_columns(upgraded):
    raw = sqlite3.connect(upgraded.path)
    with pytest.raises(sqlite3.IntegrityError, match="voided once, and never edited"):
        raw.execute("UPDATE checks SET card_serial = 'x', voided_at = 1, void_reason = 'x'")
    raw.close()


def test_a_store_of_the_first_schema_asks_for_the_upgrade(filled):
    with pytest.raises(migrations.StoreUnusable, match="is at 0001, this code needs"):
        Store.open(filled)


def test_what_was_there_is_chained_in_the_order_of_recording(upgraded):
    with upgraded.read(LOCAL_SHOP) as shop:
        found = verify(shop)
        entries = shop.ledger.page(0, 100)
    assert found.misfit is None
    assert [entry.record for entry in entries if entry.kind == "check"] == [
        "c1", "c2", "c5", "c6", "c7", "c8", "c9", "c10", "c3", "c4"
    ]  # fmt: skip
    first = [(entry.kind, entry.record) for entry in entries][:2]
    assert first == [("tester", "TB-1"), ("wrench", "OUT")]
    assert ("check_void", "c7") in {(entry.kind, entry.record) for entry in entries}
