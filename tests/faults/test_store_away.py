"""The store of a running service is held by another process, or moved away, and comes back."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest
from planted import NOT_COMPARED, NOT_TOLD
from requests_sent import Ledger
from served import Served, served_shop
from store_audit import damage

ENDS = ("", "-wal", "-shm")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, Ledger]]:
    with served_shop(tmp_path_factory.mktemp("away")) as running:
        yield running


def assert_problem(response: httpx.Response, slug: str) -> None:
    assert (response.status_code, response.json()["type"]) == (503, f"/problems/{slug}")
    assert int(response.headers["retry-after"]) > 0
    assert all(each["remedy"] for each in response.json()["errors"])


def test_a_store_held_by_another_process_is_told_as_busy(shop: tuple[Served, Ledger]) -> None:
    """Readers go on meanwhile; this process stands for the other."""
    service, ledger = shop
    with service.client() as client:
        ledger.single().send(client).raise_for_status()
        late = ledger.single()
        with closing(sqlite3.connect(service.store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            assert_problem(late.send(client), "store-busy")
            assert client.get(ledger.sent[0].path).json()["items"]
            other.execute("ROLLBACK")
        late.send(client).raise_for_status()
    assert damage(service.store, ledger.sent, ledger.acknowledged()) == []


def test_a_store_held_by_another_process_is_a_defect_when_not_told(tmp_path: Path) -> None:
    with (
        served_shop(tmp_path, NOT_TOLD.plant(tmp_path / "code")) as (service, ledger),
        service.client() as client,
        closing(sqlite3.connect(service.store)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        assert ledger.single().send(client).status_code == 500


@pytest.mark.parametrize("what", ["files", "folder"])
def test_a_store_moved_away_is_told_and_serves_again_when_it_is_back(
    shop: tuple[Served, Ledger], what: str
) -> None:
    service, ledger = shop
    folder, elsewhere = service.store.parent, service.store.parent.with_name("elsewhere")

    def move(there: Path, here: Path) -> None:
        if what == "folder":
            there.rename(here)
            return
        here.mkdir(exist_ok=True)
        for end in ENDS:
            (there / f"shop.db{end}").rename(here / f"shop.db{end}")

    with service.client() as client:
        ledger.single().send(client).raise_for_status()
        move(folder, elsewhere)
        late = [ledger.single(), ledger.file(4)]
        for _ in range(3):
            for sent in late:
                assert_problem(sent.send(client), "store-out-of-reach")
            for path in (ledger.sent[0].path, "/v1/policy", "/health/ready"):
                assert_problem(client.get(path), "store-out-of-reach")
            assert client.get("/health/live").status_code == 200
        assert not service.store.exists()
        move(elsewhere, folder)
        for sent in late:
            sent.send(client).raise_for_status()
        assert client.get("/health/ready").status_code == 200
    assert damage(service.store, ledger.sent, ledger.acknowledged()) == []


def lost_beside_another_file(service: Served, ledger: Ledger) -> list[str]:
    """What is lost when a copy is put in the place of the open store, as a person may do.

    Every write that is acknowledged after it would go where nobody finds it.
    """
    with service.client() as client:
        ledger.single().send(client).raise_for_status()
        for end in ENDS:
            file = service.store.with_name(f"shop.db{end}")
            copy = file.with_name("copy")
            shutil.copy(file, copy)
            copy.rename(file)
        for _ in range(3):
            ledger.single().send(client)
    service.kill()
    return damage(service.store, ledger.sent, ledger.acknowledged())


def test_nothing_is_acknowledged_beside_a_file_put_in_the_place_of_the_store(
    tmp_path: Path,
) -> None:
    with served_shop(tmp_path) as (service, ledger):
        assert lost_beside_another_file(service, ledger) == []
        # A service that is started anew serves the files that it finds.
        with service, service.client() as client:
            ledger.sent[-1].send(client).raise_for_status()


def test_a_service_that_does_not_compare_its_files_loses_checks(tmp_path: Path) -> None:
    with served_shop(tmp_path, NOT_COMPARED.plant(tmp_path / "code")) as (service, ledger):
        lost = lost_beside_another_file(service, ledger)
    assert any("acknowledged and is lost" in each for each in lost)
