"""Single questions to a large store, also while checks are stored in the shop that is asked about.

    python -m tests.benchmarks.large_store               # 1,000 and 10,000 wrenches in one shop
    python -m tests.benchmarks.large_store 1000          # so many alone
    python -m tests.benchmarks.large_store 1000 --shops 100   # so many in each of so many shops

`wrench-drift serve` runs over SQLite with copies of the demo's wrenches. Once the forecasts of a
shop are made ready, answers are timed in three ways, each beside the answer to liveness, from the
moment at which a question was to be sent:

    before  ten a second of what was asked before, and at new torques
    at once a check is stored; then its wrench is asked about, and another
    beside  ten a second, of all kinds by turns, while one check a second is stored

Goal: 99 in 100 within 10 ms, and not growing with the store.
"""

import argparse
import json
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import count, islice
from pathlib import Path
from threading import Event, Thread, local
from typing import Final
from uuid import uuid4

from analysis.vocabulary import Mechanism
from service.api.paging import every_wrench
from service.cli.story import load_story, morning_after
from service.records import ServiceStatus, Wrench
from service.store import LOCAL_SHOP, Store
from tests.benchmarks.http import Sent, say
from tests.benchmarks.many_wrenches import copy_records, copy_shop
from tests.benchmarks.served_process import Connection, Served
from tests.calling import bearer

RATE_A_SECOND: Final = 10
SECONDS: Final = 20
AT_ONCE: Final = 8  # checks, each followed by questions
ASKED_SHOPS: Final = 2  # of many
ASKED_WRENCHES: Final = 12  # of each
KINDS: Final = ("liveness", "risk", "due", "new torque")
TOO_LONG_S: Final = 0.5  # after a check; ten a second would then only measure their own queue

Waits = list[float]


class Client:
    """The questions and checks of one shop, a connection for each thread."""

    def __init__(self, port: int, token: dict[str, str], wrenches: Sequence[Wrench]) -> None:
        self.wrenches = wrenches
        self._port, self._token = port, token
        self._own = local()
        self._torques = count()

    def get(self, path: str) -> bytes:
        return self._connection().ask("GET", path)

    def post_check(self, check: Sent) -> None:
        headers = {"Content-Type": "application/json", "Idempotency-Key": uuid4().hex}
        path = f"/v1/wrenches/{check.wrench.serial}/checks"
        self._connection().ask("POST", path, json.dumps(check.body()).encode(), headers)

    def ask(self, question: str, wrench: Wrench) -> None:
        self.get(f"/v1/wrenches/{wrench.serial}/{question}")

    def ask_new_torque(self, wrench: Wrench) -> None:
        torque = wrench.full_scale.nm * (0.5 + next(self._torques) / 100_000)
        self.ask(f"risk?torque={torque:.6f}&unit=N.m", wrench)

    def make_ready(self) -> None:
        for path in ("/ready/forecasts", "/ready/study"):
            while not json.loads(self.get(path))["ready"]:
                time.sleep(0.5)
        for wrench in self.wrenches:
            self.ask("due", wrench)
            self.ask("risk", wrench)

    def connect_anew(self) -> None:
        """The service closes a connection on which nothing came for a while."""
        self._own = local()

    def _connection(self) -> Connection:
        if not hasattr(self._own, "connection"):
            self._own.connection = Connection(self._port, self._token)
        connection: Connection = self._own.connection
        return connection


def at_rate(asks: Sequence[Callable[[], object]]) -> Waits:
    """Seconds from the moment at which each was to be sent to its answer, waits in line too."""
    begun = time.perf_counter()

    def one(place: int) -> float:
        due = begun + place / RATE_A_SECOND
        time.sleep(max(0.0, due - time.perf_counter()))
        asks[place]()
        return time.perf_counter() - due

    with ThreadPoolExecutor(8) as pool:
        return list(pool.map(one, range(len(asks))))


def told(waits: Waits) -> str:
    ordered = sorted(waits)
    return (
        f"half within {1000 * statistics.median(ordered):6.1f} ms, 99 in 100 within "
        f"{1000 * ordered[-1 - len(ordered) // 100]:7.1f} ms"
    )


def measure_before(clients: Sequence[Client], what: str) -> None:
    """Nothing is stored meanwhile."""

    def asked(ask: Callable[[Client, Wrench], object]) -> Waits:
        asks = []
        for place in range(RATE_A_SECOND * SECONDS):
            client = clients[place % len(clients)]
            wrench = client.wrenches[place // len(clients) % len(client.wrenches)]
            asks.append(partial(ask, client, wrench))
        return at_rate(asks)

    for name, ask in {
        "liveness": lambda client, _: client.get("/health/live"),
        "risk, asked before": lambda client, wrench: client.ask("risk", wrench),
        "due, asked before": lambda client, wrench: client.ask("due", wrench),
        "risk, a new torque": lambda client, wrench: client.ask_new_torque(wrench),
    }.items():
        say(f"{what}: {name:<34} {told(asked(ask))}")


def measure_at_once(clients: Sequence[Client], what: str, numbers: "count[int]") -> float:
    """A check, then questions, one client; the longest wait in seconds but for the first check's,
    after which some is worked out that then stands.
    """
    waits: dict[str, Waits] = {}

    def timed(name: str, ask: Callable[..., object], *given: object) -> None:
        begun = time.perf_counter()
        ask(*given)
        waits.setdefault(name, []).append(time.perf_counter() - begun)

    for client in clients:
        client.connect_anew()
    for number in islice(numbers, AT_ONCE):
        client = clients[number % len(clients)]
        first, other, *_ = client.wrenches[number % (len(client.wrenches) - 1) :]
        timed("POST of a check", client.post_check, Sent(number, first))
        timed("risk of its wrench at once", client.ask, "risk", first)
        timed("due of its wrench then", client.ask, "due", first)
        timed("risk of another wrench", client.ask, "risk", other)
        timed("due of another wrench", client.ask, "due", other)
        if _longest(waits) > TOO_LONG_S:
            break
    for name, (first_s, *later) in waits.items():
        say(
            f"{what}: {name:<34} first {1000 * first_s:6.1f} ms, then median "
            f"{1000 * statistics.median(later):6.1f} ms, longest {1000 * max(later):7.1f} ms"
        )
    return _longest(waits)


def _longest(waits: dict[str, Waits]) -> float:
    return max(max(taken[1:], default=0.0) for taken in waits.values())


def measure_beside(clients: Sequence[Client], what: str, numbers: "count[int]") -> None:
    """Questions by turns while a check a second is stored."""
    over, latest = Event(), [client.wrenches[0] for client in clients]

    def store() -> None:
        due = time.perf_counter()
        while not over.wait(max(0.0, due - time.perf_counter())):
            number = next(numbers)
            place = number % len(clients)
            wrench = clients[place].wrenches[number % len(clients[place].wrenches)]
            clients[place].post_check(Sent(number, wrench))
            latest[place] = wrench
            due += 1.0

    storing = Thread(target=store, daemon=True)
    storing.start()
    waits: dict[str, Waits] = {}
    kinds = [KINDS[turn % len(KINDS)] for turn in range(2 * RATE_A_SECOND * SECONDS)]

    def ask(turn: int) -> None:
        place, kind = turn % len(clients), kinds[turn]
        client = clients[place]
        # Every third question is about the wrench that was just checked.
        wrench = client.wrenches[turn % len(client.wrenches)] if turn % 3 else latest[place]
        if kind == "liveness":
            client.get("/health/live")
        elif kind == "new torque":
            client.ask_new_torque(wrench)
        else:
            client.ask(kind, wrench)

    asks = [partial(ask, turn) for turn in range(len(kinds))]
    for kind, wait in zip(kinds, at_rate(asks), strict=True):
        waits.setdefault(kind, []).append(wait)
    over.set()
    storing.join()
    for kind, taken in waits.items():
        say(f"{what}: {kind + ', beside a check a second':<34} {told(taken)}")


def measure(path: Path, what: str, shops: Sequence[str]) -> None:
    with Store.open(path, migrate=True) as store:
        tokens = {shop: bearer(store, shop) for shop in shops}
        wrenches = {shop: _asked_about(store, shop) for shop in shops}
    with Served(path, tokens[shops[0]]) as served:
        say(f"{what}: answers after {served.first_answer_s:.1f} s")
        clients = [Client(served.port, tokens[shop], wrenches[shop]) for shop in shops]
        used = served.processor_s()
        for client in clients:
            client.make_ready()
        used = served.processor_s() - used
        say(f"{what}: made ready, {len(shops)} of the shops, in {used:.0f} s of the processor")
        measure_before(clients, what)
        numbers = count()
        longest = measure_at_once(clients, what, numbers)
        if longest < TOO_LONG_S:
            measure_beside(clients, what, numbers)
        else:
            say(f"{what}: not asked beside checks, an answer takes {longest:.1f} s then")
        say(f"{what}: memory {served.memory_mib():.0f} MiB")


def _asked_about(store: Store, shop: str) -> list[Wrench]:
    """Spring wrenches in service with a range for the check sent, from all over the shop."""
    with store.read(shop) as records:
        able = [
            each
            for each in every_wrench(records)
            if each.mechanism is Mechanism.SPRING
            and each.full_scale.nm >= 60
            and each.status is ServiceStatus.IN_SERVICE
        ]
    return able[:: max(1, len(able) // ASKED_WRENCHES)][:ASKED_WRENCHES]


def main(sizes: Sequence[int], shops: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        with Store.open(path, migrate=True) as store:
            load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
            with store.read(LOCAL_SHOP) as records:
                own = len(records.wrenches.list(limit=1000))
        for many in sizes:
            larger = Path(folder) / f"{many}.db"
            shutil.copy(path, larger)
            copies = -(-many // own)
            if copies > 1:
                copy_records(larger, copies)
            what, asked = f"{copies * own} wrenches", (LOCAL_SHOP,)
            if shops > 1:
                asked = (LOCAL_SHOP, *copy_shop(larger, shops - 1)[-ASKED_SHOPS + 1 :])
                what = f"{shops} shops of {what}"
            measure(larger, what, asked)
            larger.unlink()


if __name__ == "__main__":
    arguments = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    arguments.add_argument("wrenches", nargs="*", type=int, default=[1_000, 10_000])
    arguments.add_argument("--shops", type=int, default=1)
    given = arguments.parse_args()
    main(given.wrenches, given.shops)
