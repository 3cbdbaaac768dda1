"""What one process holds of many shops that are asked about one after the other.

    python -m tests.benchmarks.many_shops                # 200 shops, with the bound and without
    python -m tests.benchmarks.many_shops 20 --all       # of each shop all that its pages show

Every shop has the demo's wrenches, and laws, so that nothing is learnt.
"""

import argparse
import json
import os
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from service.cli.story import load_story, morning_after
from service.settings import ENOUGH_MIB, SHOPS_MIB
from service.store import LOCAL_SHOP, Store
from tests.benchmarks.http import say
from tests.benchmarks.many_wrenches import copy_laws, copy_shop
from tests.benchmarks.served_process import Connection, Served
from tests.calling import bearer

WITHOUT_MIB: Final = 1_000_000
TOLD: Final = 8  # times on the way


def make_store(path: Path, shops: int) -> tuple[str, ...]:
    """The demo's shop, with laws, and so many like it; their keys."""
    with Store.open(path, migrate=True) as store:
        load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
        token = bearer(store)
    with Served(path, token) as served:
        served.connection().ask("GET", "/v1/risks")  # learns
    keys = copy_shop(path, shops)
    copy_laws(path)
    return keys


def ask(connection: Connection, serials: Sequence[str], *, everything: bool) -> None:
    if not everything:
        for question in ("due", "risk"):
            connection.ask("GET", f"/v1/wrenches/{serials[0]}/{question}")
        return
    connection.ask("GET", "/v1/risks")
    for path in ("/ready/forecasts", "/ready/study"):
        while not json.loads(connection.ask("GET", path))["ready"]:
            time.sleep(0.1)
    for serial in serials:
        connection.ask("GET", f"/wrenches/{serial}")


def measure(path: Path, keys: Sequence[str], most_mib: int, *, everything: bool) -> None:
    os.environ[SHOPS_MIB] = str(most_mib)
    with Store.open(path) as store:
        tokens = [bearer(store, key) for key in keys]
        with store.read(keys[0]) as records:
            serials = [each.serial for each in records.wrenches.list(limit=1000)]
    with Served(path, tokens[0]) as served:
        _wait_until_warm(served)
        what = f"at most {most_mib} MiB" if most_mib < WITHOUT_MIB else "without a bound"
        say(f"{what}: before {served.memory_mib():.0f} MiB")
        used = served.processor_s()
        for number, token in enumerate(tokens, start=1):
            connection = Connection(served.port, token)
            ask(connection, serials, everything=everything)
            if number % max(1, len(keys) // TOLD) == 0:
                told = {
                    name: float(value)
                    for name, value in (
                        line.rsplit(" ", 1)
                        for line in connection.ask("GET", "/metrics").decode().splitlines()
                        if line.startswith("wrench_drift_shops_")
                    )
                }
                say(
                    f"{what}: after {number} shops {served.memory_mib():.0f} MiB, "
                    f"{told['wrench_drift_shops_held']:.0f} held, by estimate "
                    f"{told['wrench_drift_shops_held_bytes'] / 2**20:.0f} MiB; "
                    f"{served.processor_s() - used:.0f} s of the processor"
                )
            connection.close()


def _wait_until_warm(served: Served) -> None:
    """What is worked out at the start has nothing to do with what is measured."""
    before = -1.0
    while served.processor_s() - before > 0.1:
        before = served.processor_s()
        time.sleep(1.0)


def main(shops: int, *, everything: bool) -> None:
    os.environ["WRENCH_DRIFT_LOG_LEVEL"] = "error"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shops.db"
        keys = make_store(path, shops)
        for most_mib in (ENOUGH_MIB, WITHOUT_MIB):
            measure(path, keys, most_mib, everything=everything)


if __name__ == "__main__":
    arguments = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    arguments.add_argument("shops", nargs="?", type=int, default=200)
    arguments.add_argument("--all", action="store_true", dest="everything")
    given = arguments.parse_args()
    main(given.shops, everything=given.everything)
