"""The service over HTTP against the bare driver and against its own most trivial answer.

    python -m tests.benchmarks.http            # the demo's forty wrenches, and a thousand
    python -m tests.benchmarks.http 100000     # the demo's, and so many; 0: the demo's alone
    python -m tests.benchmarks.http 0 storing  # of help, answers and storing only what is named

`wrench-drift serve` runs as a shop runs it, over SQLite. Everything is measured by turns in one
run, so that what else the machine does falls on both sides of a ratio alike:

    import   a file of checks, validated and durable, against a bare insert of the very rows of
             checks, points and readings that it stored, in one transaction on a copy of the store
    check    one POST a check of 15 readings, against one durable commit of its rows a check, by as
             many clients; what the service writes beside (trail, ledger, the answer kept by its
             key) the bare driver does not
    answers  risk and due against liveness, one client; then at a fixed rate, from the moment at
             which each was to be sent
    start    the command's help, and from `serve` to the first answer

Goals: half of the bare driver's speed for what is stored, 0.4 of liveness's for answers, 99 in 100
of these within 10 ms whatever the store's size, help within 0.3 s.
"""

import argparse
import io
import json
import resource
import shutil
import sqlite3
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from itertools import count, islice
from pathlib import Path
from threading import local
from typing import Any, Final
from uuid import uuid4

import polars as pl

from analysis.vocabulary import Mechanism
from service.api.paging import every_wrench
from service.cli.story import load_story, morning_after
from service.records import ServiceStatus, Wrench
from service.store import LOCAL_SHOP, Store
from service.store.engine import PRAGMAS
from tests.benchmarks.many_wrenches import copy_records
from tests.benchmarks.served_process import PROGRAM, Connection, Served
from tests.calling import bearer

MANY: Final = 1_000
CLIENTS: Final = (1, 8, 32)
CHECKS_EACH_TURN: Final = 96
IMPORTED: Final = 1_000  # checks a file
ASKED_EACH_TURN: Final = 25
TURNS: Final = 6
RATE_A_SECOND: Final = 10
AT_RATE: Final = 200
STARTS: Final = 7
PARTS: Final = ("help", "answers", "storing")
TARGETS: Final = (0.2, 0.6, 1.0)  # shares of full scale
TESTER: Final = "TB-3"
_STORED: Final = (("points", "check_number"), ("readings", "check_number"), ("checks", "number"))

Rows = dict[str, list[tuple[Any, ...]]]


@dataclass(frozen=True)
class Sent:
    """A check that nobody sent before; `number` tells it from every other."""

    number: int
    wrench: Wrench

    def body(self) -> dict[str, Any]:
        # One after another, as a bench makes them.
        at = morning_after() - timedelta(hours=3) + timedelta(seconds=self.number)
        return {
            "kind": "as_found",
            "direction": "clockwise",
            "performed_at": at.isoformat(),
            "tester": TESTER,
            "operator": "bench 2",
            "points": [
                {
                    "target": {"value": target, "unit": "N.m"},
                    "readings": {
                        "values": [
                            round(target * (1 + (repeat - 2) * 1e-3), 6) for repeat in range(5)
                        ],
                        "unit": "N.m",
                    },
                }
                for target in (round(share * self.wrench.full_scale.nm, 3) for share in TARGETS)
            ],
        }

    def csv(self) -> Iterator[str]:
        body = self.body()
        for point in body["points"]:
            for value in point["readings"]["values"]:
                yield (
                    f"{self.wrench.serial},as_found,clockwise,{body['performed_at']},{TESTER},"
                    f"bench 2,,,{point['target']['value']},{value},,N.m,,,"
                )


class Bare:
    """The bare driver on a copy of the store, set up as the service sets its own up."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._own = local()

    def connection(self) -> sqlite3.Connection:
        """Of this thread."""
        if not hasattr(self._own, "connection"):
            self._own.connection = sqlite3.connect(self._path, isolation_level=None)
            for pragma in PRAGMAS:
                self._own.connection.execute(pragma)
            self._own.connection.execute("PRAGMA busy_timeout=60000")
        connection: sqlite3.Connection = self._own.connection
        return connection

    def insert(self, rows: Rows) -> None:
        """In one transaction, durable when this returns."""
        connection = self.connection()
        connection.execute("BEGIN IMMEDIATE")
        for table, _ in _STORED:
            places = ",".join("?" * len(rows[table][0]))
            connection.executemany(f"INSERT INTO {table} VALUES ({places})", rows[table])  # noqa: S608
        connection.execute("COMMIT")


def stored_since(path: Path, number: int) -> list[Rows]:
    """The rows of each check that was stored after one with this number."""
    with sqlite3.connect(path) as connection:
        of_check: dict[int, Rows] = {}
        for table, key in _STORED:
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            place = columns.index(key)
            query = f"SELECT * FROM {table} WHERE {key} > ? ORDER BY {key}"  # noqa: S608
            for row in connection.execute(query, [number]):
                of_check.setdefault(row[place], {}).setdefault(table, []).append(row)
    connection.close()
    return list(of_check.values())


def last_number(path: Path) -> int:
    with sqlite3.connect(path) as connection:
        (number,) = connection.execute("SELECT max(number) FROM checks").fetchone()
    connection.close()
    return int(number)


def joined(checks: Sequence[Rows]) -> Rows:
    return {table: [row for each in checks for row in each[table]] for table, _ in _STORED}


@dataclass
class Taken:
    """Seconds by the clock and of the processor, added up."""

    wall: float = 0.0
    processor: float = 0.0
    done: int = 0

    def measure(
        self, work: Callable[[], object], processor_s: Callable[[], float], done: int
    ) -> None:
        used, begun = processor_s(), time.perf_counter()
        work()
        self.wall += time.perf_counter() - begun
        self.processor += processor_s() - used
        self.done += done

    def __str__(self) -> str:
        return (
            f"{1000 * self.wall / self.done:8.2f} ms, of processor "
            f"{1000 * self.processor / self.done:7.2f} ms"
        )


def ratio(bare: Taken, service: Taken) -> str:
    """How much of the bare one's speed the service has."""
    by_clock = bare.wall / bare.done / (service.wall / service.done)
    by_processor = bare.processor / bare.done / (service.processor / service.done)
    return f"ratio {by_clock:5.2f}, of processor {by_processor:5.2f}"


def at_once(clients: int, jobs: Iterable[Callable[[], object]]) -> None:
    with ThreadPoolExecutor(clients) as pool:
        for done in [pool.submit(job) for job in jobs]:
            done.result()


class Clients:
    """A connection for each thread."""

    def __init__(self, served: Served) -> None:
        self._served = served
        self._own = local()

    @property
    def own(self) -> Connection:
        if not hasattr(self._own, "connection"):
            self._own.connection = self._served.connection()
        connection: Connection = self._own.connection
        return connection

    def post(self, path: str, body: bytes, media_type: str = "application/json") -> bytes:
        headers = {"Content-Type": media_type, "Idempotency-Key": uuid4().hex}
        return self.own.ask("POST", path, body, headers)

    def get(self, path: str) -> bytes:
        return self.own.ask("GET", path)


def wait_until_ready(clients: Clients) -> None:
    """What the service works out for itself after its start is not what is measured."""
    for path in ("/ready/forecasts", "/ready/study"):
        while not json.loads(clients.get(path))["ready"]:
            time.sleep(0.5)


def measure_storing(served: Served, path: Path, wrenches: Sequence[Wrench]) -> None:
    """Single checks and imports, against the bare driver."""
    bare = Bare(path.with_name("bare.db"))
    clients, number = Clients(served), count()
    wait_until_ready(clients)

    def new(many: int) -> list[Sent]:
        return [Sent(n, wrenches[n % len(wrenches)]) for n in islice(number, many)]

    header = (
        "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,"
        "reading,indicated,unit,card_issuer,card_certificate,card_issued_on"
    )

    def csv(sent: list[Sent]) -> bytes:
        return "\n".join([header, *(row for each in sent for row in each.csv())]).encode()

    files: dict[str, Callable[[list[Sent]], bytes]] = {
        "text/csv": csv,
        "application/x-ndjson": lambda sent: "\n".join(
            json.dumps({"wrench": each.wrench.serial, **each.body()}) for each in sent
        ).encode(),
        "application/vnd.apache.parquet": lambda sent: _as_parquet(csv(sent)),
    }
    for many in CLIENTS:
        service, driver = Taken(), Taken()
        for _ in range(2):
            before = last_number(path)
            requests = [
                (f"/v1/wrenches/{each.wrench.serial}/checks", json.dumps(each.body()).encode())
                for each in new(CHECKS_EACH_TURN)
            ]
            posts = [lambda ask=ask: clients.post(*ask) for ask in requests]
            service.measure(
                lambda many=many, posts=posts: at_once(many, posts),
                served.processor_s,
                CHECKS_EACH_TURN,
            )
            rows_of_each = stored_since(path, before)
            commits = [lambda rows=rows: bare.insert(rows) for rows in rows_of_each]
            driver.measure(
                lambda many=many, commits=commits: at_once(many, commits),
                time.process_time,
                CHECKS_EACH_TURN,
            )
        say(
            f"check  {many:>2} clients            a check {service}; bare {driver}; "
            f"{ratio(driver, service)}"
        )

    for media_type, written in files.items():
        service, driver = Taken(), Taken()
        for _ in range(2):
            before, body = last_number(path), written(new(IMPORTED))
            service.measure(
                lambda body=body, form=media_type: clients.post("/v1/checks/import", body, form),
                served.processor_s,
                IMPORTED,
            )
            rows = joined(stored_since(path, before))
            driver.measure(lambda rows=rows: bare.insert(rows), time.process_time, IMPORTED)
        say(f"import {media_type:<21} a check {service}; bare {driver}; {ratio(driver, service)}")


def _as_parquet(csv: bytes) -> bytes:
    file = io.BytesIO()
    pl.read_csv(csv, schema_overrides={"performed_at": pl.Datetime("us", "UTC")}).write_parquet(
        file
    )
    return file.getvalue()


def measure_answers(served: Served, wrenches: Sequence[Wrench], what: str) -> None:
    """Risk and due against liveness."""
    clients, number = Clients(served), count()
    begun = time.perf_counter()
    wait_until_ready(clients)
    for wrench in wrenches:
        clients.get(f"/v1/wrenches/{wrench.serial}/due")
        clients.get(f"/v1/wrenches/{wrench.serial}/risk")
    say(f"{what}: made ready in {time.perf_counter() - begun:.0f} s")

    def of_one(question: str, n: int) -> str:
        return f"/v1/wrenches/{wrenches[n % len(wrenches)].serial}/{question}"

    def new_torque(n: int) -> str:
        torque = wrenches[n % len(wrenches)].full_scale.nm * (0.5 + n / 100_000)
        return f"{of_one('risk', n)}?torque={torque:.6f}&unit=N.m"

    paths: dict[str, Callable[[int], str]] = {
        "liveness": lambda _: "/health/live",
        "risk, asked before": lambda n: of_one("risk", n),
        "risk, a new torque": new_torque,
        "due, asked before": lambda n: of_one("due", n),
    }
    taken = {name: Taken() for name in paths}
    for _ in range(TURNS):
        for name, path in paths.items():

            def several(path: Callable[[int], str] = path) -> None:
                for _ in range(ASKED_EACH_TURN):
                    clients.get(path(next(number)))

            taken[name].measure(several, served.processor_s, ASKED_EACH_TURN)
    for name, cost in taken.items():
        say(f"{what}: {name:<20} {cost}; {ratio(taken['liveness'], cost)}")
    for name, path in paths.items():
        waits = sorted(at_rate(lambda path=path: clients.get(path(next(number)))))
        say(
            f"{what}: {name:<20} {RATE_A_SECOND} a second: half within "
            f"{1000 * statistics.median(waits):6.1f} ms, 99 in 100 within "
            f"{1000 * waits[-1 - len(waits) // 100]:6.1f} ms"
        )


def at_rate(ask: Callable[[], object]) -> list[float]:
    """Seconds from the moment at which each was to be sent to its answer, waits in line too."""
    begun = time.perf_counter()

    def one(place: int) -> float:
        due = begun + place / RATE_A_SECOND
        time.sleep(max(0.0, due - time.perf_counter()))
        ask()
        return time.perf_counter() - due

    with ThreadPoolExecutor(8) as pool:
        return list(pool.map(one, range(AT_RATE)))


def measure_help() -> None:
    wall, processor = [], []
    for _ in range(STARTS):
        begun, used = time.perf_counter(), _of_children()
        subprocess.run([PROGRAM, "--help"], check=True, capture_output=True)  # noqa: S603
        wall.append(time.perf_counter() - begun)
        processor.append(_of_children() - used)
    say(
        f"help: median {statistics.median(wall):.2f} s, fastest {min(wall):.2f} s, of processor "
        f"{statistics.median(processor):.2f} s"
    )


def _of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def measure(path: Path, what: str, parts: Collection[str]) -> None:
    with Store.open(path, migrate=True) as store:
        token = bearer(store)
        with store.read(LOCAL_SHOP) as records:
            wrenches = [
                each
                for each in every_wrench(records)
                if each.mechanism is Mechanism.SPRING
                and each.full_scale.nm >= 60
                and each.status is ServiceStatus.IN_SERVICE
            ]
    shutil.copy(path, path.with_name("bare.db"))
    for start in ("first", "second"):
        with Served(path, token) as served:
            say(
                f"{what}: {start} start, answers after {served.first_answer_s:.2f} s, of processor "
                f"{served.processor_s():.2f} s"
            )
            if start == "second":
                if "answers" in parts:
                    measure_answers(served, wrenches[:12], what)
                if "storing" in parts:
                    measure_storing(served, path, wrenches)


def say(line: str) -> None:
    print(line, flush=True)  # noqa: T201 - what the script is for


def main(many: int, parts: Collection[str]) -> None:
    if "help" in parts:
        measure_help()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        with Store.open(path, migrate=True) as store:
            load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
            with store.read(LOCAL_SHOP) as records:
                wrenches = len(records.wrenches.list(limit=1000))
        larger = Path(folder) / "many" / "shop.db"
        larger.parent.mkdir()
        shutil.copy(path, larger)
        measure(path, f"{wrenches} wrenches", parts)
        copies = -(-many // wrenches)
        if copies > 1:
            copy_records(larger, copies)
            measure(larger, f"{copies * wrenches} wrenches", {"answers"} & set(parts))


if __name__ == "__main__":
    told = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    told.add_argument("wrenches", nargs="?", type=int, default=MANY)
    told.add_argument("parts", nargs="*", default=[*PARTS], help=", ".join(PARTS))
    asked = told.parse_args()
    main(asked.wrenches, asked.parts)
