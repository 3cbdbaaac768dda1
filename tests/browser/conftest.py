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
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, sync_playwright
from small_shop import NOW, open_shop

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_PATIENCE_S = 60


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Its address; the clock stands at NOW."""
    folder = tmp_path_factory.mktemp("browser")
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
        with httpx.Client(base_url=url, timeout=_PATIENCE_S) as client:
            open_shop(client)
        yield url
    finally:
        process.terminate()
        process.wait(_PATIENCE_S)


def _wait_for(url: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    end = time.monotonic() + _PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        try:
            if httpx.get(f"{url}/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise RuntimeError(f"the service did not start: {log.read_text()}")


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
def context(chromium: Browser, service: str) -> Iterator[BrowserContext]:
    context = chromium.new_context(base_url=service)
    context.set_default_timeout(20_000)
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A page of a fresh browser; whatever its console complains of fails the test."""
    complaints: list[str] = []

    def listen(message: ConsoleMessage) -> None:
        # What the API refuses, or a test keeps from it, is no fault of the page.
        if message.type in {"error", "warning"} and "/v1/" not in message.location["url"]:
            complaints.append(message.text)

    page = context.new_page()
    page.on("console", listen)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    assert complaints == []


@pytest.fixture
def api(service: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=service, timeout=_PATIENCE_S) as client:
        yield client


def pytest_collection_modifyitems(items: list[Any]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
