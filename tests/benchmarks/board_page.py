"""How long the server takes for the board, once warm: forty wrenches, and ten thousand.

    python -m tests.benchmarks.board_page

Goals: 150 ms for forty, 300 ms for ten thousand. The forty are the demo's, fitted for real. The ten
thousand are the demo's day many times over under other serials: it measures what a request costs
when the day is known, not the fit, which runs beside it.
"""

import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from litestar.testing import TestClient

from service.app import create_app
from service.cli.story import load_story, morning_after
from service.clock import PinnedClock
from service.fleet_day import FleetDay, fleet_day
from service.store import LOCAL_SHOP, Store
from tests.calling import signed_in

REQUESTS = 100
MANY = 10_000
PATHS = ("/board", "/board?mechanism=spring&status=fit", "/board?page=2", "/")


def many_times(day: FleetDay) -> FleetDay:
    """The day of a fleet of MANY, with the same plan: the bench grows no larger."""
    copies = -(-MANY // len(day.rows))
    rows = [
        replace(row, wrench=replace(row.wrench, serial=f"{row.wrench.serial}-{copy}"))
        for row in day.rows
        for copy in range(copies)
    ]
    return replace(day, rows=tuple(rows[:MANY]))


def measured(client: TestClient[Any], path: str) -> list[float]:
    """Milliseconds of each request, sorted."""
    taken = []
    for _ in range(REQUESTS):
        begun = time.perf_counter()
        client.get(path).raise_for_status()
        taken.append(1000 * (time.perf_counter() - begun))
    return sorted(taken)


def measure(store: Store, what: str) -> None:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(morning_after()))
    with signed_in(app, store) as client:
        while not client.get("/board/state").json()["current"]:
            time.sleep(0.2)
        for path in PATHS:
            taken = measured(client, path)
            print(  # noqa: T201 - what the script is for
                f"{what:>16}  {path:<36} median {statistics.median(taken):6.1f} ms   "
                f"95 % below {taken[int(0.95 * REQUESTS)]:6.1f} ms   "
                f"{len(client.get(path).content) / 1024:5.0f} KiB"
            )


def main() -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        Store.open(Path(folder) / "shop.db", migrate=True) as store,
    ):
        load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
        measure(store, "40 wrenches")
        with patch(
            "service.api.fleet_days.fleet_day", lambda *given: many_times(fleet_day(*given))
        ):
            measure(store, f"{MANY} wrenches")


if __name__ == "__main__":
    main()
