"""A backup taken while the store is written to answers every question as the store did."""

import shutil
import sqlite3
import sys
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from calling import signed_in, visiting
from click.testing import CliRunner
from story import app_over, tell

sys.path.insert(0, str(Path(__file__).parents[1] / "service"))
from sample_records import NOW, a_check, a_tester, a_wrench

from service.cli import main
from service.recording import record_checks
from service.store import Store

pytestmark = pytest.mark.sqlite  # a store on a server is backed up by the server's own tools

BUSY_SHOP = "second"


@pytest.fixture(scope="module")
def told_store(tmp_path_factory):
    """A store over which the story was told; a second shop in it has a wrench and a tester."""
    with Store.open(tmp_path_factory.mktemp("told") / "shop.db", migrate=True) as store:
        store.add_shop(BUSY_SHOP)
        with store.write(BUSY_SHOP) as records:
            records.wrenches.add(a_wrench())
            records.testers.add(a_tester())
        with signed_in(app_over(store), store) as client:
            steps = tell(client)
            token = client.headers["Authorization"]
        asked = [step for step in steps if step.response.request.method == "GET"]
        # The metrics tell of the process, and not of the store.
        yield store, [step for step in asked if step.operation_id != "readMetrics"], token


def run(*arguments, exit_code=0):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == exit_code, result.output
    return result.output


class Writer(threading.Thread):
    """Records check after check in the second shop, and keeps which were acknowledged."""

    def __init__(self, store):
        super().__init__()
        self._store = store
        self._stop_asked = threading.Event()
        self.acknowledged = []

    def run(self):
        while not self._stop_asked.is_set():
            count = len(self.acknowledged)
            check = replace(
                a_check(cycle_count=None), performed_at=NOW - timedelta(days=900, minutes=-count)
            )
            with self._store.write(BUSY_SHOP) as records:
                record_checks(records, [check], person=None, now=NOW)
            self.acknowledged.append(check.id)

    def wait_for(self, more):
        wanted = len(self.acknowledged) + more
        while len(self.acknowledged) < wanted and self.is_alive():
            self.join(0.01)

    def stop(self):
        self._stop_asked.set()
        self.join()


@pytest.fixture(scope="module")
def backed_up(told_store, tmp_path_factory):
    """The file of the backup, and the ids of the checks acknowledged before it began."""
    store, *_ = told_store
    file = tmp_path_factory.mktemp("backup") / "copy.db"
    writer = Writer(store)
    writer.start()
    try:
        writer.wait_for(5)
        before = list(writer.acknowledged)
        run("backup", file, "--store", store.path)
        writer.wait_for(3)
    finally:
        writer.stop()
    assert len(writer.acknowledged) >= len(before) + 3
    return file, before


@pytest.fixture(scope="module")
def restored(backed_up, tmp_path_factory):
    path = tmp_path_factory.mktemp("restored") / "shop.db"
    told = run("restore", backed_up[0], "--store", path)
    assert "nothing in it was altered" in told
    with Store.open(path) as store:
        yield store


def test_every_answer_is_the_same(told_store, restored):
    store, steps, token = told_store
    assert len(steps) > 30
    with (
        visiting(app_over(store)) as source,
        visiting(app_over(restored)) as copy,
    ):
        source.headers["Authorization"] = copy.headers["Authorization"] = token
        for step in steps:
            url = step.response.request.url.raw_path.decode()
            one, other = source.get(url), copy.get(url)
            assert one.status_code == other.status_code == 200, url
            assert one.content == other.content, url
            assert one.headers.get("etag") == other.headers.get("etag"), url


def test_every_check_acknowledged_before_is_in_it(backed_up, restored):
    with restored.read(BUSY_SHOP) as records:
        kept = {check.id for check in records.checks.every()}
    assert len(backed_up[1]) >= 5
    assert set(backed_up[1]) <= kept


def test_a_backup_is_one_file(backed_up):
    file, _ = backed_up
    assert [each.name for each in file.parent.iterdir()] == [file.name]


def test_nothing_is_written_over(backed_up, tmp_path):
    file, _ = backed_up
    there = tmp_path / "shop.db"
    there.write_text("mine")
    assert "never written over" in run("restore", file, "--store", there, exit_code=1)
    assert "never written over" in run("backup", there, "--store", file, exit_code=1)
    assert there.read_text() == "mine"


def test_the_log_of_another_store_is_not_taken_for_its_own(backed_up, tmp_path):
    (tmp_path / "shop.db-wal").write_text("of a store that was here")
    told = run("restore", backed_up[0], "--store", tmp_path / "shop.db", exit_code=1)
    assert "the log of a store" in told
    assert [each.name for each in tmp_path.iterdir()] == ["shop.db-wal"]


def test_a_backup_that_was_altered_is_refused(backed_up, tmp_path):
    altered = tmp_path / "altered.db"
    shutil.copyfile(backed_up[0], altered)
    raw = sqlite3.connect(altered)
    raw.execute("DROP TRIGGER readings_are_never_edited")
    raw.execute("UPDATE readings SET reference_nm = reference_nm + 0.01 WHERE check_number = 1")
    raw.commit()
    raw.close()
    told = run("restore", altered, "--store", tmp_path / "shop.db", exit_code=1)
    assert "the records of shop local were altered: check " in told
    assert [each.name for each in tmp_path.iterdir()] == ["altered.db"]


def test_a_damaged_backup_is_refused(backed_up, tmp_path):
    damaged = tmp_path / "damaged.db"
    whole = backed_up[0].read_bytes()
    damaged.write_bytes(whole[:8192] + bytes(4096) + whole[12288:])
    told = run("restore", damaged, "--store", tmp_path / "shop.db", exit_code=1)
    assert "damaged" in told or "cannot be read as a store" in told
    assert [each.name for each in tmp_path.iterdir()] == ["damaged.db"]


@pytest.mark.parametrize("command", ["backup", "restore"])
def test_a_store_on_a_server_is_left_to_the_server(command, backed_up):
    told = run(command, backed_up[0], "--store", "postgresql://server/shop", exit_code=1)
    assert "pg_dump" in told


def test_what_is_no_store_is_not_backed_up(tmp_path):
    (tmp_path / "notes.txt").write_text("torque the wheel nuts\n" * 500)
    for source, told in (("notes.txt", "cannot be read as a store"), ("none.db", "no file")):
        output = run("backup", tmp_path / "b.db", "--store", tmp_path / source, exit_code=1)
        assert told in output
    assert [each.name for each in tmp_path.iterdir()] == ["notes.txt"]
