"""A running service over an invented shop, and a real browser at its pages.

The browser is Chromium as the system installs it (Debian: the package `chromium`).
"""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from calling import bearer
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    StorageState,
    sync_playwright,
)
from small_shop import NOW, open_shop

from service.store import Store

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_PATIENCE_S = 60


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("browser")


@pytest.fixture(scope="session")
def service(folder: Path) -> Iterator[str]:
    """Its address; the clock stands at NOW."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    environment = os.environ | {
        "WRENCH_DRIFT_STORE": str(folder / "shop.db"),
        "WRENCH_DRIFT_HOST": "127.0.0.1",
        "WRENCH_DRIFT_PORT": str(port),
        "WRENCH_DRIFT_PINNED_AT": NOW.isoformat(),
    }
    url = f"http://127.0.0.1:{port}"
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [Path(sys.executable).parent / "wrench-drift", "serve"],
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        _wait_for(url, process, folder / "log")
        headers = _token_of(folder)
        with httpx.Client(base_url=url, headers=headers, timeout=_PATIENCE_S) as client:
            open_shop(client)
        yield url
    finally:
        process.terminate()
        process.wait(_PATIENCE_S)


def _wait_for(url: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    end = time.monotonic() + _PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        try:
            if httpx.get(f"{url}/health/live").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise RuntimeError(f"the service did not start: {log.read_text()}")


def _token_of(folder: Path) -> dict[str, str]:
    with Store.open(folder / "shop.db") as store:
        return bearer(store)


@pytest.fixture(scope="session")
def token(service: str, folder: Path) -> str:
    """A token that opens the shop."""
    return _token_of(folder)["Authorization"].removeprefix("Bearer ")


@pytest.fixture(scope="session")
def session(service: str, token: str) -> StorageState:
    """What a browser holds once somebody has signed in."""
    with httpx.Client(base_url=service) as client:
        answer = client.post("/sign-in", data={"secret": token})
        assert answer.status_code == 303
        ((name, value),) = client.cookies.items()
    cookie: Any = {"name": name, "value": value, "url": service}
    return {"cookies": [cookie], "origins": []}


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    found = next(filter(None, map(shutil.which, _NAMES)), None)
    if found is None:
        missing = f"no Chromium is installed (looked for {', '.join(_NAMES)})"
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as playwright:
        # Without its sandbox, since the user may be root and the pages are our own.
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def context(chromium: Browser, service: str, session: StorageState) -> Iterator[BrowserContext]:
    # What a page asks for is held back by some tests, which a service worker would get round.
    context = chromium.new_context(base_url=service, storage_state=session, service_workers="block")
    context.set_default_timeout(1000 * _PATIENCE_S)
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A page of a fresh browser; whatever its console complains of fails the test."""
    complaints: list[str] = []

    def listen(message: ConsoleMessage) -> None:
        # What the API refuses, or a test keeps from it, is no fault of the page.
        if message.type not in {"error", "warning"} or "/v1/" in message.location["url"]:
            return
        if message.text != "Service Worker registration blocked by Playwright":
            complaints.append(message.text)

    page = context.new_page()
    page.on("console", listen)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    assert complaints == []


@pytest.fixture
def api(service: str, token: str) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {token}"}
    with httpx.Client(base_url=service, headers=headers, timeout=_PATIENCE_S) as client:
        yield client


def pytest_collection_modifyitems(items: list[Any]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
