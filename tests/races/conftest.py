"""Two workers over one store, as they are served, and clients that race each other at them."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from calling import bearer
from planted import VERSION_NOT_COMPARED
from postgresql_server import Databases
from racing import PATIENCE_S, Service
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
    environment = {k: v for k, v in os.environ.items() if not k.startswith("WRENCH_DRIFT_")} | {
        "WRENCH_DRIFT_STORE": (
            address.render_as_string(hide_password=False)
            if isinstance(address, URL)
            else str(address)
        ),
        "WRENCH_DRIFT_PORT": str(port),
        "WRENCH_DRIFT_PINNED_AT": "2026-05-04T12:00:00Z",
        "WRENCH_DRIFT_REQUESTS_PER_MINUTE": "100000",  # one token stands for a whole shop
        **beside,
    }
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - our own command
            [Path(sys.executable).with_name("wrench-drift"), "serve", "--workers", "2"],
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        running = Service(f"http://127.0.0.1:{port}", headers)
        _wait_for(running, process, folder / "log")
        yield running
    finally:
        process.terminate()
        process.wait(PATIENCE_S)


def _wait_for(service: Service, process: "subprocess.Popen[bytes]", log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        try:
            if httpx.get(f"{service.url}/health/ready", headers=service.headers).is_success:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise RuntimeError(f"the service did not start: {log.read_text()}")
