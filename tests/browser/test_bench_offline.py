"""The bench while the service is away: a page reloaded then still comes, with what was typed."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from calling import bearer
from playwright.sync_api import Browser, Page, expect
from small_shop import NOW, a_tester, a_wrench

from service.store import Store

FIFTEEN = [
    f"{target * share:.2f}" for target in (20, 60, 100) for share in (0.99, 0.992, 0.991, 0.99, 1.0)
]


class Served:
    """A service over a store of its own that can be stopped and come back at its address."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        self._log = folder / "log"
        self._environment = os.environ | {
            "WRENCH_DRIFT_STORE": str(folder / "shop.db"),
            "WRENCH_DRIFT_HOST": "127.0.0.1",
            "WRENCH_DRIFT_PORT": str(port),
            "WRENCH_DRIFT_PINNED_AT": NOW.isoformat(),
        }
        self.start()
        with Store.open(folder / "shop.db") as store:
            self.headers = bearer(store)

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [Path(sys.executable).parent / "wrench-drift", "serve"],
                env=self._environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        for _ in range(600):
            try:
                if httpx.get(f"{self.url}/health/live").status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
        raise RuntimeError(self._log.read_text())

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(60)


def _kept(page: Page) -> list[str]:
    """Paths of the pages that the browser holds for the bench."""
    kept: list[str] = page.evaluate(
        """async () => {
            const all = await Promise.all((await caches.keys()).map((name) => caches.open(name)));
            const held = (await Promise.all(all.map((each) => each.keys()))).flat();
            const paths = held.map((each) => new URL(each.url).pathname);
            return paths.filter((path) => !path.startsWith("/static/"));
        }"""
    )
    return kept


def _await_kept(page: Page, paths: list[str]) -> None:
    for _ in range(300):
        if _kept(page) == paths:
            return
        page.wait_for_timeout(100)
    assert _kept(page) == paths


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path)
    for path, body in (
        ("testers", a_tester("TB-1", due_on="2027-01-10")),
        ("wrenches", a_wrench("BN-1")),
    ):
        headers = {"Idempotency-Key": path, **served.headers}
        httpx.post(
            f"{served.url}/v1/{path}", json=body, headers=headers, timeout=60
        ).raise_for_status()
    yield served
    served.stop()


@pytest.fixture
def bench(chromium: Browser, served: Served) -> Iterator[Page]:
    context = chromium.new_context(base_url=served.url)
    context.set_default_timeout(30_000)
    page = context.new_page()
    page.goto("/sign-in?next=/bench%3Fwrench%3DBN-1")
    page.fill("#secret", served.headers["Authorization"].removeprefix("Bearer "))
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench?wrench=BN-1")
    _await_kept(page, ["/bench"])
    yield page
    context.close()


def test_a_reload_without_the_service_keeps_the_readings_and_posts_them_once(
    bench: Page, served: Served
) -> None:
    bench.locator("#r0-0").focus()
    for reading in FIFTEEN[:7]:
        bench.keyboard.type(reading)
        bench.keyboard.press("Enter")
    served.stop()
    bench.reload()
    expect(bench.locator("#kept")).to_be_visible()
    expect(bench.locator("#progress")).to_contain_text("7 of 15 readings")
    expect(bench.locator("#r1-2")).to_be_focused()
    for reading in FIFTEEN[7:]:
        bench.keyboard.type(reading)
        bench.keyboard.press("Enter")
    bench.keyboard.press("Enter")
    expect(bench.locator("#unsaved")).to_contain_text("Not yet saved: BN-1 clockwise.")
    bench.reload()
    expect(bench.locator("#unsaved")).to_contain_text("Not yet saved: BN-1 clockwise.")
    served.start()
    expect(bench.locator("#unsaved")).to_contain_text("Saved: BN-1 clockwise.", timeout=90_000)
    found = httpx.get(
        f"{served.url}/v1/wrenches/BN-1/checks", headers=served.headers, timeout=60
    ).json()["items"]
    assert len(found) == 1
    values = [r["reference"]["value"] for p in found[0]["points"] for r in p["readings"]]
    assert values == [float(reading) for reading in FIFTEEN]


def test_only_the_bench_is_kept_and_it_is_gone_when_somebody_signs_out(bench: Page) -> None:
    bench.goto("/board")
    bench.goto("/wrenches")
    assert _kept(bench) == ["/bench"]
    bench.get_by_role("button", name="Sign out").click()
    bench.wait_for_url("**/sign-in")
    _await_kept(bench, [])
