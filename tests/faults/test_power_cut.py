"""A power cut at any moment loses nothing that was acknowledged, and breaks no store.

The served process is recorded at the boundary to the system while it makes a new store, takes in
checks one by one and from files, writes its log back, stops, and starts again. `crash_images` says
what the disk may hold after a power cut at each operation; each such image is opened by SQLite.
"""

from dataclasses import dataclass
from pathlib import Path

import pytest
from disk_record import Operation, read_record, recording
from planted import FILE_IN_PIECES, KEY_AFTER_COMMIT, READINGS_OUTSIDE, SYNCHRONOUS_NORMAL, Defect
from power_cut import survey
from requests_sent import Ledger, Sent, open_shop
from served import Served

STORE = "shop.db"
SEED = 20260504
# The log is written back when it has grown by 1,000 pages, at the shipped settings; one check is
# about 15 of them.
SINGLES, FILES, PER_FILE = 70, 3, 10


@dataclass
class Record:
    operations: list[Operation]
    sent: list[Sent]

    def without_syncs_of(self, name: str) -> list[Operation]:
        """As if the program had never asked for them."""
        return [each for each in self.operations if (each.kind, each.name) != ("sync", name)]


def record(
    folder: Path,
    singles: int,
    files: int,
    environment: dict[str, str] | None = None,
    *,
    lives: int = 2,
) -> Record:
    """Two lives of a service over one store: the first stops as asked, the second is killed."""
    store = folder / "store" / STORE
    store.parent.mkdir(parents=True)
    ledger = Ledger()
    records = [folder / "first", folder / "second"][:lives]
    for life in records:
        service = Served(store, under=recording(store, life), environment=environment)
        with service, service.client() as client:
            if life is records[0]:
                open_shop(client)
            for number in range(singles if life is records[0] else 10):
                ledger.single().send(client).raise_for_status()
                if files and number % (singles // files) == 0:
                    ledger.file(PER_FILE).send(client).raise_for_status()
            if life is not records[-1]:
                service.stop()
    there: set[str] = set()
    operations = [each for life in records for each in read_record(life, store.parent, there)]
    return Record(operations, ledger.sent)


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Record:
    return record(tmp_path_factory.mktemp("shipped"), SINGLES, FILES)


def test_the_record_holds_every_kind_of_work(shipped: Record) -> None:
    """Otherwise the survey would say little: log and database written and synced, both lives."""
    done = [(each.kind, each.name) for each in shipped.operations]
    for file in (STORE, f"{STORE}-wal"):
        assert done.count(("write", file)) > 100
        assert done.count(("sync", file)) >= 3
    assert done.count(("create", f"{STORE}-wal")) >= 3  # made, made by the worker, made again
    assert done.count(("sync", ".")) >= 3
    # The log was written back and begun anew while checks came in, not only at the end.
    writes = [each for each in shipped.operations if each.name == f"{STORE}-wal"]
    assert sum(each.kind == "write" and each.offset == 0 for each in writes) > 3
    assert all(each.acknowledged_at for each in shipped.sent)


def test_no_power_cut_loses_an_acknowledged_check(shipped: Record, long: bool) -> None:
    images = 100_000 if long else 2_500
    found = survey(shipped.operations, shipped.sent, STORE, images=images, seed=SEED)
    print(f"{found.images} images at {found.moments} moments, {found.damaged} damaged")  # noqa: T201
    assert found.told == []
    assert found.damaged == 0
    assert found.images >= images


@pytest.mark.parametrize(
    ("name", "what"),
    [
        (".", "the folder never synced"),
        (STORE, "the database never synced, while its log is begun anew"),
        (f"{STORE}-wal", "the log never synced"),
    ],
)
def test_a_sync_left_out_is_found(shipped: Record, name: str, what: str) -> None:
    found = survey(
        shipped.without_syncs_of(name),
        shipped.sent,
        STORE,
        images=1_000,
        seed=SEED,
        stop_at="",
    )
    assert found.damaged, what


@pytest.mark.parametrize(
    ("defect", "sign"),
    [
        (SYNCHRONOUS_NORMAL, "was acknowledged and is lost"),
        (KEY_AFTER_COMMIT, "checks are stored, its answer is not"),
        (READINGS_OUTSIDE, "there are points or readings without their check"),
        (FILE_IN_PIECES, f"of {PER_FILE} checks are stored"),
    ],
    ids=lambda value: value.what if isinstance(value, Defect) else "",
)
def test_a_planted_defect_is_found(tmp_path: Path, defect: Defect, sign: str) -> None:
    planted = record(tmp_path, 6, 2, defect.plant(tmp_path / "code"), lives=1)
    found = survey(planted.operations, planted.sent, STORE, images=1_500, seed=SEED, stop_at=sign)
    assert any(sign in each for each in found.told), found
