"""Two workers over one store, as they are served, and clients that race each other at them."""

import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest
from calling import bearer
from planted import VERSION_NOT_COMPARED
from postgresql_server import Databases
from racing import PATIENCE_S, Service, environment, wait_for
from sqlalchemy import URL

from service.store import LOCAL_SHOP, Store


@pytest.fixture(scope="session")
def service(
    tmp_path_factory: pytest.TempPathFactory, databases: Databases | None
) -> Iterator[Service]:
    with serving(tmp_path_factory.mktemp("races"), databases, {}) as running:
        yield running


@pytest.fixture
def service_that_compares_no_version(
    tmp_path: Path, databases: Databases | None
) -> Iterator[Service]:
    with serving(tmp_path, databases, VERSION_NOT_COMPARED.plant(tmp_path / "code")) as running:
        yield running


@contextmanager
def serving(
    folder: Path, databases: Databases | None, beside: Mapping[str, str]
) -> Iterator[Service]:
    """Two workers over a new store.

    beside   variables beside those of the test
    """
    address: Path | URL = databases.empty() if databases else folder / "shop.db"
    with Store.open(address, migrate=True) as store:
        headers = bearer(store, LOCAL_SHOP)
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - our own command
            [Path(sys.executable).with_name("wrench-drift"), "serve", "--workers", "2"],
            env=environment(address, port, beside),
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        running = Service(f"http://127.0.0.1:{port}", headers)
        wait_for(running, process, folder / "log")
        yield running
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
