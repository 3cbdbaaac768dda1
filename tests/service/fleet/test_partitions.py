"""Evidence as partitioned Parquet: the store's frames again, one state whole, nothing stale."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from sample_records import NOW, a_check
from small_fleet import VISITS, WRENCHES, fill, serial

from analysis.evidence import READINGS
from analysis.evidence import WRENCHES as WRENCHES_SCHEMA
from service.fleet.files import UnusableDirectory
from service.fleet.partitions import MANIFEST, Manifest, export_partitions
from service.records import Policy
from service.store import LOCAL_SHOP, Store

READINGS_A_WRENCH = 15 * VISITS


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr("service.store.store._WRENCHES_AND_CHECKS_AT_ONCE", 2 * (VISITS + 1) + 1)
    with Store.open(tmp_path / "shop.db", migrate=True) as opened:
        fill(opened)
        yield opened


def export(store: Store, directory: Path) -> Manifest:
    with store.read(LOCAL_SHOP) as records:
        return export_partitions(
            directory, records, LOCAL_SHOP, NOW, readings_at_once=3 * READINGS_A_WRENCH
        )


def test_put_together_the_partitions_are_the_frames_of_the_store(
    store: Store, tmp_path: Path
) -> None:
    manifest = export(store, tmp_path / "out")
    parts = [partition.read(tmp_path / "out") for partition in manifest.partitions]
    with store.read(LOCAL_SHOP) as records:
        wrenches, readings = records.evidence(NOW)
        assert manifest.evidence_version == records.evidence_version()
    assert pl.concat([part for part, _ in parts]).equals(wrenches)
    assert pl.concat([part for _, part in parts]).equals(readings)
    for part, of_part in parts:
        assert part.schema == WRENCHES_SCHEMA
        assert of_part.schema == READINGS
    # Any reader of Parquet finds the same by the names of the files.
    assert pl.read_parquet(tmp_path / "out" / "readings-*.parquet").equals(readings)


def test_partitions_are_of_bounded_size_and_never_part_a_wrench(
    store: Store, tmp_path: Path
) -> None:
    manifest = export(store, tmp_path)
    assert [part.readings.rows for part in manifest.partitions] == 3 * [4 * READINGS_A_WRENCH]
    assert [(part.first, part.last) for part in manifest.partitions] == [
        (serial(0), serial(3)), (serial(4), serial(7)), (serial(8), "W-99"),
    ]  # fmt: skip
    assert (manifest.wrenches, manifest.readings) == (WRENCHES + 1, WRENCHES * READINGS_A_WRENCH)


def test_the_manifest_is_read_as_it_was_written(store: Store, tmp_path: Path) -> None:
    written = export(store, tmp_path)
    assert Manifest.read(tmp_path) == written
    assert written.policy == Policy()
    assert written.columns["readings"]["reference_nm"] == "Float64"


def test_an_export_takes_the_place_of_the_one_before(store: Store, tmp_path: Path) -> None:
    before = export(store, tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check(serial(0)))
    after = export(store, tmp_path)
    assert after.evidence_version != before.evidence_version
    assert after.partitions[0].readings.sha256 != before.partitions[0].readings.sha256
    assert after.partitions[-1] == before.partitions[-1]
    named = {file.name for part in after.partitions for file in part.files}
    assert {path.name for path in tmp_path.iterdir() if path.suffix != ".db"} >= named
    assert {path.name for path in tmp_path.glob("*.parquet*")} == named
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_an_interrupted_export_leaves_the_former_as_it_was(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    before = export(store, out)
    with store.write(LOCAL_SHOP) as shop:
        for number in range(WRENCHES):
            shop.checks.add(a_check(serial(number)))

    def full(*_: object) -> None:
        raise OSError("no space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("service.fleet.partitions.replace_text", full)
        with pytest.raises(OSError, match="no space"):
            export(store, out)
    assert Manifest.read(out) == before
    for partition in before.partitions:
        partition.read(out)
    after = export(store, out)
    assert len(list(out.iterdir())) == 1 + 3 * len(after.partitions)


def test_what_is_no_longer_what_was_written_is_refused(store: Store, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with pytest.raises(UnusableDirectory, match="there is no export in"):
        Manifest.read(out)
    partition = export(store, out).partitions[0]
    path = out / partition.readings.name
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(UnusableDirectory, match="was changed"):
        partition.read(out)
    path.unlink()
    with pytest.raises(UnusableDirectory, match="is gone"):
        partition.read(out)
    (out / MANIFEST).write_text("{}")
    with pytest.raises(UnusableDirectory, match="no manifest that this version can read"):
        Manifest.read(out)
