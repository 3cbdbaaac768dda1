"""Recorded pulls in the store: immutable, counted once, paged by time, and their versions."""

import sqlite3
from datetime import timedelta

import pytest
from sample_records import NOW, a_check, a_pull, nm

from service.store import LOCAL_SHOP, AlreadyVoided, DuplicateRecord, Store, UnknownRecord
from service.store.migrate import REVISIONS

DAY = timedelta(days=1)
COLUMNS = (
    "shop_id", "number", "id", "wrench", "job", "torque_value", "torque_unit", "torque_nm",
    "direction", "angle_deg", "performed_at", "operator", "count", "client_id", "natural_key",
    "out_of_service", "recorded_at",
)  # fmt: skip


@pytest.fixture
def raw(store):
    """A plain connection that knows nothing of the service, to a store with one pull in it."""
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([a_pull()])
    connection = sqlite3.connect(store.path, isolation_level=None)
    yield connection
    connection.close()


@pytest.mark.sqlite
@pytest.mark.parametrize("column", COLUMNS)
def test_no_column_of_a_pull_is_edited_even_while_voiding(raw, column):
    """999 differs from every value in the row."""
    statement = f"UPDATE pulls SET {column} = 999, voided_at = 1, void_reason = 'x'"  # noqa: S608
    with pytest.raises(sqlite3.IntegrityError, match="a pull is voided once, and never edited"):
        raw.execute(statement)


@pytest.mark.sqlite
def test_the_columns_tested_are_all_but_those_of_the_void(raw):
    names = {row[1] for row in raw.execute("PRAGMA table_info(pulls)")}
    assert names - set(COLUMNS) == {"voided_at", "void_reason"}


@pytest.mark.sqlite
def test_pulls_are_not_deleted(raw):
    with pytest.raises(sqlite3.IntegrityError, match="pulls are never deleted"):
        raw.execute("DELETE FROM pulls")


def test_a_pull_comes_back_as_it_was_stored(store):
    pull = a_pull(torque=nm(31.5), angle_deg=90.0, count=5, client_id="bay-2/17")
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([pull])
    with store.read(LOCAL_SHOP) as shop:
        assert shop.pulls.get(pull.id) == pull
        assert list(shop.pulls.every()) == [pull]


def test_a_pull_is_voided_once_and_its_key_is_free_again(store):
    pull = a_pull()
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([pull])
        voided = shop.pulls.void(pull.id, "another wrench", NOW)
        assert voided.void.reason == "another wrench"
        with pytest.raises(AlreadyVoided):
            shop.pulls.void(pull.id, "again", NOW)
        shop.pulls.add_many([a_pull()])
        assert len(shop.pulls.list("TW-1")) == 1
        assert len(shop.pulls.list("TW-1", include_voided=True)) == 2


@pytest.mark.parametrize("client_id", [None, "bay-2/17"])
def test_the_same_pull_twice_is_refused(store, client_id):
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([a_pull(client_id=client_id)])
        with pytest.raises(DuplicateRecord):
            shop.pulls.add_many([a_pull(client_id=client_id)])


def test_pages_follow_one_another_newest_first_within_the_window(store):
    pulls = [a_pull(performed_at=NOW - n * DAY, job=f"W-{n}") for n in range(1, 8)]
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many(pulls)
    window = {"since": NOW - 6 * DAY, "until": NOW - 2 * DAY}
    with store.read(LOCAL_SHOP) as shop:
        first = shop.pulls.list("TW-1", None, 3, **window)
        rest = shop.pulls.list("TW-1", first[-1].id, 3, **window)
        with pytest.raises(UnknownRecord):
            shop.pulls.list("TW-1", "no such pull")
    assert [pull.job for pull in (*first, *rest)] == ["W-3", "W-4", "W-5", "W-6"]


def test_work_made_after_every_check_leaves_the_evidence_as_it_is(store):
    """Else every pull of the day would have the fleet fitted anew."""
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check(cycle_count=None, performed_at=NOW - 5 * DAY))
        evidence, pulls = shop.evidence_version(), shop.pulls_version()
        shop.pulls.add_many([a_pull(performed_at=NOW - DAY)])
        assert shop.evidence_version() == evidence
        assert shop.pulls_version() > pulls


@pytest.mark.parametrize(("cycle_count", "changes"), [(None, True), (1200, False)])
def test_work_before_a_check_changes_the_evidence_where_its_count_is_missing(
    store, cycle_count, changes
):
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check(cycle_count=cycle_count, performed_at=NOW - DAY))
        before = shop.evidence_version()
        shop.pulls.add_many([a_pull(performed_at=NOW - 2 * DAY)])
        assert (shop.evidence_version() != before) is changes


@pytest.mark.sqlite
def test_a_store_of_the_first_schema_is_migrated_with_its_records(tmp_path, monkeypatch):
    path = tmp_path / "shop.db"
    from alembic import command

    really_upgrade = command.upgrade
    with monkeypatch.context() as patch:
        patch.setattr(command, "upgrade", lambda config, _: really_upgrade(config, REVISIONS[0]))
        patch.setattr("service.store.migrate.HEAD", REVISIONS[0])
        patch.setattr("service.store.migrate.require_head", lambda _: None)
        patch.setattr("service.store.store._add_shop", lambda *_: None)
        Store.open(path, migrate=True).close()
    with sqlite3.connect(path) as old:
        old.execute("INSERT INTO shops VALUES (1, 'local', 'abc', 7)")
    old.close()
    with Store.open(path, migrate=True) as store, store.read(LOCAL_SHOP) as shop:
        assert shop.evidence_version() == "abc-7"
        assert shop.pulls_version() == 0
        assert shop.pulls.list("TW-1") == ()


def test_a_check_without_counter_takes_its_count_from_recorded_work(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check(cycle_count=1200, performed_at=NOW - 90 * DAY))
        shop.checks.add(a_check(cycle_count=None, performed_at=NOW - 5 * DAY))
        shop.pulls.add_many([a_pull(performed_at=NOW - n * DAY, count=10) for n in (80, 40, 2)])
        _, readings = shop.evidence(NOW)
    assert readings["cycles"].unique(maintain_order=True).to_list() == [1200, 1220]
