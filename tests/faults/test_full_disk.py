"""No room is left on the disk of a running service: 507, and on as soon as there is room again."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from failing_disk import Fault, failing
from planted import NOT_TOLD
from requests_sent import Ledger, open_shop
from served import Served, served
from store_audit import damage

SMALL = "4m"


@contextmanager
def small_disk(folder: Path) -> Iterator[bool]:
    """Whether a file system of its own, in memory, could be put at the folder."""
    folder.mkdir()
    mounted = os.geteuid() == 0 and (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={SMALL}", "tmpfs", str(folder)],
            check=False,
            capture_output=True,
        ).returncode
        == 0
    )
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextmanager
def no_room(service: Served, *, mounted: bool) -> Iterator[None]:
    """The disk is filled to the brim; where none could be mounted, the system says that it is."""
    folder = service.store.parent
    if not mounted:
        files = [service.store, service.store.with_name("shop.db-wal")]
        with failing(service.worker(), files, Fault("pwrite64", "ENOSPC", 1, lasting=True)):
            yield
        return
    filler = folder / "filler"
    with filler.open("wb") as file:
        room = os.statvfs(folder)
        os.posix_fallocate(file.fileno(), 0, room.f_bavail * room.f_frsize)
    try:
        yield
    finally:
        filler.unlink()


def ordeal(folder: Path, environment: dict[str, str] | None = None) -> list[str]:
    """What went wrong for a service whose disk runs full twice."""
    found: list[str] = []
    ledger = Ledger()
    with (
        small_disk(folder / "disk") as mounted,
        served(folder / "disk" / "shop.db", environment=environment) as service,
        service.client() as client,
    ):
        open_shop(client)
        for _ in range(2):
            ledger.single().send(client).raise_for_status()
            refused = []
            with no_room(service, mounted=mounted):
                for number in range(200):  # the log has pages to write over before it grows
                    sent = ledger.file(5) if number % 2 else ledger.single()
                    response = sent.send(client)
                    if response.is_success:
                        continue
                    refused.append(sent)
                    told = response.json()
                    if (response.status_code, told["type"]) != (507, "/problems/store-full"):
                        found.append(f"{sent.key}: {response.status_code} {told['type']}")
                    if len(refused) == 6:
                        break
                # What is stored can still be read, and the service says that it is ready to.
                for path in ("/health/ready", ledger.sent[0].path, "/v1/wrenches"):
                    if client.get(path).status_code != 200:
                        found.append(f"{path} could not be read")
            if len(refused) < 6:
                found.append("the disk was never full")
            found += [
                f"{sent.key} was refused with room again"
                for sent in refused
                if not sent.send(client).is_success
            ]
        found += damage(service.store, ledger.sent, ledger.acknowledged())
        service.kill()
        found += damage(service.store, ledger.sent, ledger.acknowledged())
    return found


def test_a_full_disk_is_told_and_got_over(tmp_path: Path) -> None:
    assert ordeal(tmp_path) == []


def test_a_full_disk_that_is_not_told_is_found(tmp_path: Path) -> None:
    found = ordeal(tmp_path, NOT_TOLD.plant(tmp_path / "code"))
    assert any(": 500 /problems/internal-error" in each for each in found)


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_description_tells_of_it_where_something_is_stored(method: str) -> None:
    from service.openapi import description

    answers = description()["paths"]["/v1/wrenches/{serial}/checks"][method.lower()]["responses"]
    assert ("507" in answers) == (method == "POST")
