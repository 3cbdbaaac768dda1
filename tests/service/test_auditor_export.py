"""What an assessor is given: whole, of one shop, and to be checked without this program."""

import csv
import hashlib
import json
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import contextmanager
from pathlib import Path

import pytest
from calling import bearer
from sample_records import NOW, a_check, a_tester, a_wrench
from sample_shop_history import fill

from service.auditor_export import export_for_auditor
from service.recording import record_checks
from service.store import LOCAL_SHOP, Store, StoreUnusable
from service.store.access_tables import AccessTokenRow, SignInRow
from service.store.tables import Base

MARK = "----8<----"
SECOND = "second"


@pytest.fixture
def filled(empty_store):
    """A record of every kind in one shop, and in another what must never be told."""
    with empty_store.write(LOCAL_SHOP) as records:
        fill(records)
    empty_store.add_shop(SECOND)
    with empty_store.write(SECOND) as records:
        records.testers.add(a_tester("TB-SECOND"))
        records.wrenches.add(a_wrench("TW-SECOND"))
        record_checks(
            records, [a_check("TW-SECOND", tester="TB-SECOND")], person="of the second", now=NOW
        )
    return empty_store


def exported(store, target, shop=LOCAL_SHOP):
    with store.read(shop) as records:
        return export_for_auditor(target, records, NOW)


@pytest.fixture
def folder(filled, tmp_path):
    exported(filled, tmp_path / "audit")
    return tmp_path / "audit"


def verified(folder, *noted):
    """What the program printed in the export says of it, run by a Python without our packages."""
    text = (folder / "README.txt").read_text("utf-8")
    program = text.partition(f"{MARK} verify.py\n")[2].partition(MARK)[0]
    script = folder.parent / "verify.py"
    script.write_text(program, "utf-8")
    return subprocess.run(  # noqa: S603 - the program under test
        [sys.executable, "-I", script, folder, *noted], capture_output=True, text=True
    )


def rows_of(folder, name):
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def forged(folder, name, change):
    """Alter a file, and the manifest so that the file fits it."""
    path, manifest = folder / name, folder / "manifest.json"
    path.write_bytes(change(path.read_bytes()))
    told = json.loads(manifest.read_text("utf-8"))
    told["files"][name]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    manifest.write_text(json.dumps(told), "utf-8")


def test_what_is_untouched_is_found_untouched(folder):
    found = verified(folder)
    head = json.loads((folder / "manifest.json").read_text("utf-8"))["head"]
    assert (found.returncode, found.stderr) == (0, "")
    assert found.stdout == f"Nothing was altered: {head[0]} entries, head {head[1]}\n"
    assert verified(folder, head[1]).returncode == 0
    other = verified(folder, "ab" * 32)
    assert (other.returncode, other.stderr) == (1, "ALTERED: the noted head is another\n")


def test_one_byte_altered_in_any_file_is_found(folder):
    names = json.loads((folder / "manifest.json").read_text("utf-8"))["files"]
    assert names.keys() | {"manifest.json"} == {path.name for path in folder.iterdir()}
    for name in names.keys() - {"README.txt"}:  # from which the program is taken here
        path = folder / name
        whole = path.read_bytes()
        for place in (0, len(whole) // 2, len(whole) - 1):
            path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
            assert verified(folder).stderr == f"ALTERED: {name}\n", place
        path.write_bytes(whole)
    assert verified(folder).returncode == 0


def a_reading_altered(data):
    assert data.count(b"19.9,") > 1
    return data.replace(b"19.9,", b"19.8,", 1)


def a_line_deleted(data):
    lines = data.splitlines(keepends=True)
    return b"".join(lines[:7] + lines[8:])


def the_last_line_deleted(data):
    return b"".join(data.splitlines(keepends=True)[:-1])


def two_lines_swapped(data):
    lines = data.splitlines(keepends=True)
    return b"".join([*lines[:7], lines[8], lines[7], *lines[9:]])


def a_line_doubled(data):
    lines = data.splitlines(keepends=True)
    return b"".join([*lines[:8], *lines[7:]])


@pytest.mark.parametrize(
    "change",
    [a_reading_altered, a_line_deleted, the_last_line_deleted, two_lines_swapped, a_line_doubled],
)
def test_the_chain_tells_what_a_manifest_made_to_fit_does_not(folder, change):
    forged(folder, "ledger.ndjson", change)
    found = verified(folder)
    assert found.returncode == 1
    assert found.stderr.startswith(("ALTERED: entry ", "ALTERED: the end of the ledger"))


def test_every_kind_of_record_is_in_it(folder):
    with (folder / "ledger.ndjson").open("rb") as file:
        entries = [json.loads(line) for line in file]
    kept = {(entry["kind"], entry["record"]): json.loads(entry["content"]) for entry in entries}
    checks = {row["id"]: row for row in rows_of(folder, "checks")}
    wrong = next(row for row in checks.values() if row["void_reason"])
    assert (wrong["void_reason"], checks["right"]["replaces"]) == ("wrong tester", wrong["id"])
    for (kind, record), content in kept.items():
        if kind != "check":
            continue
        told = [row for row in rows_of(folder, "readings") if row["check_id"] == record]
        assert [
            [int(row["point"]), int(row["reading"]), float(row["reference_value"])] for row in told
        ] == [reading[:3] for reading in content["readings"]]
    assert [row["certificate"] for row in rows_of(folder, "tester_versions")] == [
        "C-26-001",
        "C-26-014",
    ]
    why = " ".join(row["why"] for row in rows_of(folder, "trail"))
    assert "wrong tester" in why
    assert "it slipped" in why
    assert {row["person"] for row in rows_of(folder, "trail")} >= {"ann", "bo"}
    assert [row["void_reason"] for row in rows_of(folder, "pulls")] == ["made with TW-2", ""]
    assert json.loads(rows_of(folder, "policies")[0]["document"])["cap_months"] == 6
    assert len(rows_of(folder, "bookings")) == 2
    assert [row["wrench"] for row in rows_of(folder, "quarantines")] == ["TW-2"]


def test_every_table_is_in_it_or_left_out_on_purpose(folder):
    inside = {path.stem for path in folder.glob("*.csv")} | {"ledger"}
    named = {"wrench_events": "trail", "access_tokens": "tokens", "points": "readings"}
    left_out = {"shops", "idempotent_answers", "sign_ins", "laws"}
    tables = {named.get(name, name) for name in Base.metadata.tables.keys() - left_out}
    assert tables <= inside


def test_it_is_of_one_shop(filled, folder, tmp_path):
    exported(filled, tmp_path / "other", SECOND)
    for here, there in (("audit", "TW-1"), ("other", "SECOND")):
        assert any(there.encode() in path.read_bytes() for path in (tmp_path / here).iterdir())
    for path in folder.iterdir():
        assert b"SECOND" not in path.read_bytes(), path.name
        assert b"of the second" not in path.read_bytes(), path.name
    for path in (tmp_path / "other").iterdir():
        assert b"TW-1" not in path.read_bytes(), path.name
    assert verified(tmp_path / "other").returncode == 0


def test_nothing_that_opens_anything_is_in_it(filled, tmp_path):
    secret = bearer(filled)["Authorization"].rpartition("_")[2]
    exported(filled, tmp_path / "audit")
    with filled._writer.begin() as connection:
        filled._backend.enter(connection, None)
        digests = [
            digest
            for table in (AccessTokenRow.__table__, SignInRow.__table__)
            for digest in connection.execute(table.select()).mappings()
        ]
    assert digests
    whole = b"".join(path.read_bytes() for path in (tmp_path / "audit").iterdir())
    assert secret.encode() not in whole
    for row in digests:
        assert row["digest"].encode() not in whole
    assert rows_of(tmp_path / "audit", "tokens")[0].keys() == {
        "id", "name", "scope", "made_at", "made_by", "expires_at", "revoked_at", "last_used_at",
    }  # fmt: skip


def test_a_shop_in_which_nothing_was_recorded(empty_store, tmp_path):
    exported(empty_store, tmp_path / "audit")
    assert verified(tmp_path / "audit").stdout.startswith("Nothing was altered: 0 entries")


def test_a_zip_holds_the_same(filled, folder, tmp_path):
    exported(filled, tmp_path / "audit.zip")
    with zipfile.ZipFile(tmp_path / "audit.zip") as archive:
        archive.extractall(tmp_path / "unpacked")
    assert verified(tmp_path / "unpacked").returncode == 0
    for path in folder.iterdir():
        assert (tmp_path / "unpacked" / path.name).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("name", ["audit", "audit.zip"])
def test_it_is_there_whole_or_not_at_all(filled, tmp_path, monkeypatch, name):
    def full(*_):
        raise OSError(28, "No space left on device")

    (tmp_path / "out").mkdir()
    with monkeypatch.context() as broken:
        broken.setattr("service.auditor_export._ledger_lines", full)
        with pytest.raises(StoreUnusable, match="No space left"):
            exported(filled, tmp_path / "out" / name)
    assert list((tmp_path / "out").iterdir()) == []
    exported(filled, tmp_path / "out" / name)
    before = {path: path.stat() for path in (tmp_path / "out").iterdir()}
    with pytest.raises(StoreUnusable, match="never written over"):
        exported(filled, tmp_path / "out" / name)
    assert {path: path.stat() for path in (tmp_path / "out").iterdir()} == before


def test_what_is_recorded_meanwhile_is_not_in_it(filled, tmp_path, monkeypatch):
    """One state of the shop, though a check comes between one file and the next."""
    from service import auditor_export

    really, late = auditor_export._ledger_lines, []

    def between(records):
        if not late:
            late.append(a_check("TW-1", performed_at=NOW.replace(hour=1)))
            with filled.write(LOCAL_SHOP) as writer:
                record_checks(writer, late, person=None, now=NOW)
        return really(records)

    monkeypatch.setattr(auditor_export, "_ledger_lines", between)
    exported(filled, tmp_path / "audit")
    assert verified(tmp_path / "audit").returncode == 0
    for path in (tmp_path / "audit").iterdir():
        assert late[0].id.encode() not in path.read_bytes()
    exported(filled, tmp_path / "after")
    assert late[0].id in {row["id"] for row in rows_of(tmp_path / "after", "checks")}


@contextmanager
def past_the_triggers(path: Path):
    raw = sqlite3.connect(path)
    for (name,) in raw.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    yield raw
    raw.commit()
    raw.close()


@pytest.mark.sqlite
def test_what_was_altered_in_the_store_is_written_and_said(tmp_path):
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        with store.write(LOCAL_SHOP) as records:
            fill(records)
        with past_the_triggers(tmp_path / "shop.db") as raw:
            raw.execute("UPDATE readings SET reference_value = 19.95 WHERE check_number = 2")
        found = exported(store, tmp_path / "audit").found
    assert found.misfit is not None
    said = (tmp_path / "audit" / "README.txt").read_text("utf-8")
    assert f"entry {found.misfit.number}: " in said
    checked = verified(tmp_path / "audit")
    assert checked.stderr == f"ALTERED: entry {found.misfit.number} of the ledger\n"
