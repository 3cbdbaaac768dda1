"""How long the server takes for each page and for what the pages ask of the API, once warm.

    python -m tests.benchmarks.pages            # the demo's forty wrenches, and ten thousand
    python -m tests.benchmarks.pages 2000       # the demo's, and so many

Goals: 150 ms for forty, 300 ms for ten thousand. The forty are the demo's, fitted for real. The
many are the demo's records copied and its fit in tiles (`many_wrenches`): no time is taken for
reading the evidence, the fit and the due dates, which pages wait for beside, and say so. Torques
differ from request to request, so that no answer is one that was kept.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import urlencode

from litestar.testing import TestClient

from analysis.fleet import FleetFit, fit_fleet
from service.app import create_app
from service.cli.story import load_story, morning_after
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store
from tests.benchmarks.many_wrenches import copy_records, tiled
from tests.calling import signed_in

REQUESTS = 9
MANY = 10_000
WRENCH = "SP-101"
RANGE = "/range"
Ask = Callable[[TestClient[Any], int], Any]


def get(path: str) -> Ask:
    """A page; {n} in its path is another number at each request."""
    return lambda client, n: client.get(path.format(n=n))


def jobs(n: int) -> list[dict[str, Any]]:
    return [
        {"name": f"job {i}", "torque": {"value": torque + n / 100, "unit": "N.m"}}
        for i, torque in enumerate((8, 12, 18, 25, 40, 60, 85, 110, 140, 200))
    ]


def job_list(client: TestClient[Any], n: int) -> Any:
    lines = [f"{job['name']},{job['torque']['value']},N.m" for job in jobs(n)]
    text = "\n".join(["job,torque,unit", *lines])
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    return client.post("/coverage", content=urlencode({"jobs": text}), headers=form)


def fastener(client: TestClient[Any], n: int) -> Any:
    torque = {"value": 80 + n / 10, "unit": "N.m"}
    return client.post("/v1/fastener-fit", json={"fastener": {"torque": torque}, "limit": 10})


def sheet(client: TestClient[Any], n: int) -> Any:
    """Of another wrench at each request."""
    return client.get(f"/wrenches/SP-{101 + n % 12}")


ASKED: dict[str, Ask] = {
    "/": get("/"),
    "/bench": get("/bench"),
    "/bench?wrench=": get(f"/bench?wrench={WRENCH}"),
    "/board": get("/board"),
    "/board?page=2": get("/board?page=2"),
    "/wrenches": get("/wrenches"),
    "/wrenches/{serial}, another": sheet,
    "/wrenches/{serial}, again": get(f"/wrenches/{WRENCH}"),
    "/fit?torque=": get("/fit?torque={n}"),
    "/fit?torque=&angle=": get("/fit?torque={n}&angle=90"),
    "POST /coverage, 10 jobs": job_list,
    RANGE: get(RANGE),
    "/v1/risks": get("/v1/risks"),
    "/v1/wrenches/{serial}/risk": get(f"/v1/wrenches/{WRENCH}/risk"),
    "POST /v1/fastener-fit": fastener,
    "POST /v1/coverage, 10 jobs": lambda client, n: client.post(
        "/v1/coverage", json={"jobs": jobs(n)}
    ),
}


def measure(store: Store, what: str) -> None:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(morning_after()))
    number = count(50)
    with signed_in(app, store) as client:
        made_ready(client, what, "/ready/forecasts", "ready")
        made_ready(client, what, "/board/state", "current")
        # Last the page of the study, which no other page waits for.
        for name, ask in sorted(ASKED.items(), key=lambda each: each[0] == RANGE):
            if name == RANGE:
                made_ready(client, what, "/ready/study", "ready")
            ask(client, next(number)).raise_for_status()
            wall, cpu = [], []
            for _ in range(REQUESTS):
                at, used = time.perf_counter(), time.process_time()
                answer = ask(client, next(number)).raise_for_status()
                wall.append(1000 * (time.perf_counter() - at))
                cpu.append(1000 * (time.process_time() - used))
            say(
                f"{what:>16}  {name:<28} median {statistics.median(wall):7.1f} ms   "
                f"of processor {statistics.median(cpu):7.1f} ms   worst {max(wall):7.1f} ms   "
                f"{len(answer.content) / 1024:6.0f} KiB"
            )


def made_ready(client: TestClient[Any], what: str, path: str, key: str) -> None:
    """Wait until what pages rest on is there, and tell how long it took."""
    begun, used = time.perf_counter(), time.process_time()
    while not client.get(path).json()[key]:
        time.sleep(0.5)
    say(
        f"{what:>16}  {path:<28} made ready in {time.perf_counter() - begun:.0f} s, "
        f"{time.process_time() - used:.0f} s of processor"
    )


def say(line: str) -> None:
    print(line, flush=True)  # noqa: T201 - what the script is for


def main(many: int) -> None:
    learnt: list[FleetFit] = []

    def fitted(*frames: Any) -> FleetFit:
        learnt.append(fit_fleet(*frames))
        return learnt[-1]

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        with Store.open(path, migrate=True) as store:
            load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
            with store.read(LOCAL_SHOP) as records:
                wrenches = len(records.wrenches.list(limit=1000))
            with patch("analysis.fleet.fit_fleet", fitted):
                measure(store, f"{wrenches} wrenches")
        copies = -(-many // wrenches)
        copy_records(path, copies)
        with (
            Store.open(path, migrate=True) as store,
            patch("analysis.fleet.fit_fleet", lambda *_: tiled(learnt[0], copies)),
        ):
            measure(store, f"{copies * wrenches} wrenches")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else MANY)
