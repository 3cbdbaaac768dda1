"""`wrench-drift audit` on the command line."""

import re
import sqlite3

import pytest
from click.testing import CliRunner
from sample_shop_history import fill

from service.cli import main
from service.store import LOCAL_SHOP, Store

pytestmark = pytest.mark.sqlite  # the command is given a file


@pytest.fixture
def path(tmp_path):
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        store.add_shop("second")
        with store.write(LOCAL_SHOP) as records:
            fill(records)
    return tmp_path / "shop.db"


def run(*arguments):
    return CliRunner().invoke(main, ["audit", *map(str, arguments)])


def altered(path, *statements):
    raw = sqlite3.connect(path)
    for (name,) in raw.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        raw.execute(statement)
    raw.commit()
    raw.close()


def test_every_shop_is_verified_and_its_head_told(path):
    told = run("verify", "--store", path)
    head = run("head", "--store", path)
    assert told.exit_code == head.exit_code == 0
    count, noted = re.match(r"local: entry (\d+), ([0-9a-f]{64})\n", head.output).groups()
    assert f"local: all {count} entries fit. Head: {noted}" in told.output
    assert "second: nothing was recorded yet." in told.output
    assert "second: no entry yet" in head.output
    again = run("verify", "--store", path, "--shop", "local", "--since-head", noted)
    assert again.exit_code == 0
    assert f"The noted head is entry {count}; 0 came after it." in again.output


def test_an_alteration_ends_with_status_1_and_what_was_altered(path):
    altered(path, "UPDATE readings SET reference_value = 19.95 WHERE check_number = 2")
    told = run("verify", "--store", path)
    assert told.exit_code == 1
    assert "local: ALTERED. entry " in told.output
    assert "as it is stored has the digest" in told.output


def test_a_head_that_is_gone_ends_with_status_1(path):
    told = run("verify", "--store", path, "--shop", "local", "--since-head", "ab" * 32)
    assert told.exit_code == 1
    assert f"no entry has the hash {'ab' * 32}" in told.output


def test_a_head_is_of_one_shop(path):
    assert run("verify", "--store", path, "--since-head", "ab" * 32).exit_code == 2


def test_an_export_tells_what_to_note(path, tmp_path):
    told = run("export", tmp_path / "audit.zip", "--store", path)
    assert told.exit_code == 0
    assert "local: all " in told.output
    assert re.search(r"SHA-256 of its manifest\.json: [0-9a-f]{64}\n", told.output)
    assert (tmp_path / "audit.zip").is_file()
    again = run("export", tmp_path / "audit.zip", "--store", path)
    assert again.exit_code == 1
    assert "never written over" in again.output


def test_an_export_of_altered_records_is_written_and_ends_with_status_1(path, tmp_path):
    altered(path, "UPDATE readings SET reference_value = 19.95 WHERE check_number = 2")
    told = run("export", tmp_path / "audit", "--store", path)
    assert told.exit_code == 1
    assert "local: ALTERED. entry " in told.output
    assert (tmp_path / "audit" / "README.txt").is_file()
