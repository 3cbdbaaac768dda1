"""Two services over one store: one learns for both, and the other goes on when it is killed.

They run a copy of the code that learns half a second after a change, and lets the test hold whoever
learns.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Self

import pytest
from calling import bearer
from planted import LAWS_OF_EACH_PROCESS, LEARNING_WATCHED, Defect
from postgresql_server import Databases
from racing import PATIENCE_S, Service, environment, wait_for
from sqlalchemy import URL
from test_races import TESTER, a_check, a_wrench

from service.store import LOCAL_SHOP, Store

pytestmark = pytest.mark.faults

WRENCHES: Final = ("TW-1", "TW-2", "TW-3")
Answers = list[tuple[bytes, str]]
ASKED: Final = ("/v1/wrenches/TW-1/due", "/v1/wrenches/TW-3/risk", "/v1/risks")


class Worker:
    """One service by itself, which may be killed and started again."""

    def __init__(self, folder: Path, address: Path | URL, headers: dict[str, str]) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            port: int = probe.getsockname()[1]
        self._service = Service(f"http://127.0.0.1:{port}", headers)
        self._log = folder / f"{port}.log"
        self._folder = folder
        self._environment = environment(
            address,
            port,
            {
                "PYTHONPATH": str(folder / "code"),
                "LEARNING_WATCHED": str(folder),
                "OPENBLAS_NUM_THREADS": "1",
            },
        )

    def start(self) -> Self:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(  # noqa: S603 - our own command
                [Path(sys.executable).with_name("wrench-drift"), "serve"],
                env=self._environment,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,  # so that one signal reaches all of it
            )
        wait_for(self._service, self._process, self._log)
        self.client = self._service.client()
        return self

    def learns(self) -> bool:
        """Whether a process of this service is learning laws now."""
        return any(
            os.getsid(int(mark.stem)) == self._process.pid for mark in self._folder.glob("*.learns")
        )

    def kill(self) -> None:
        """kill -9, all its processes at once."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait(PATIENCE_S)
        self.client.close()


@dataclass
class Pair:
    """Two workers over one store, and what was acknowledged of what was sent to them."""

    folder: Path
    one: Worker
    other: Worker
    acknowledged: list[str] = field(default_factory=list)

    def learnt(self) -> list[str]:
        """The versions of the evidence that were learnt from, in order, by whomever."""
        told = self.folder / "learnt"
        return told.read_text().split() if told.exists() else []

    def hold(self) -> None:
        (self.folder / "hold").touch()

    def let_go(self) -> None:
        (self.folder / "hold").unlink()

    def post(self, worker: Worker) -> None:
        """A check of the next wrench, as yet unheard of."""
        number = len(self.acknowledged)
        serial = WRENCHES[number % len(WRENCHES)]
        at = f"2026-0{2 + number // 24 % 2}-{3 + number // 48:02}T{number % 24:02}:00:00Z"
        answer = worker.client.post(
            f"/v1/wrenches/{serial}/checks",
            json=a_check(at),
            headers={"Idempotency-Key": f"check-{number}"},
        )
        assert answer.status_code == 201, answer.text
        self.acknowledged.append(answer.json()["id"])

    def compare(self) -> str:
        """The laws that both name, once both were asked while nothing changed between."""
        for _ in range(100):
            before, theirs, after = (answers(worker) for worker in (self.one, self.other, self.one))
            if before == after:
                assert theirs == before, "two workers answer differently"
                return laws_named(before)
        raise AssertionError("the answers never stood still")


def answers(worker: Worker) -> Answers:
    found = [worker.client.get(path) for path in ASKED]
    assert [answer.status_code for answer in found] == [200] * len(ASKED), found[0].text
    return [(answer.content, answer.headers["ETag"]) for answer in found]


def laws_named(found: Answers) -> str:
    named: str = json.loads(found[0][0])["method"]["laws"]
    return named


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.05)
    raise AssertionError("it did not come about")


def started(folder: Path, databases: Databases | None, defect: Defect | None) -> Iterator[Pair]:
    changes = (*LEARNING_WATCHED, *(defect.changes if defect else ()))
    Defect("watched", changes).plant(folder / "code")
    address: Path | URL = databases.empty() if databases else folder / "shop.db"
    with Store.open(address, migrate=True) as store:
        headers = bearer(store, LOCAL_SHOP)
    workers = []
    try:
        for _ in range(2):
            workers.append(Worker(folder, address, headers).start())
        pair = Pair(folder, *workers)
        for path, body in (
            ("testers", TESTER),
            *(("wrenches", a_wrench(serial)) for serial in WRENCHES),
        ):
            key = {"Idempotency-Key": f"{path}-{body['serial']}"}
            answer = pair.one.client.post(f"/v1/{path}", json=body, headers=key)
            assert answer.status_code == 201, answer.text
        for _ in range(6):
            pair.post(pair.one)
        yield pair
    finally:
        for worker in workers:
            worker.kill()
        if isinstance(address, URL) and databases:
            databases.drop(address)


@pytest.fixture
def pair(tmp_path: Path, databases: Databases | None) -> Iterator[Pair]:
    yield from started(tmp_path, databases, None)


@pytest.fixture
def pair_with_laws_of_their_own(tmp_path: Path, databases: Databases | None) -> Iterator[Pair]:
    yield from started(tmp_path, databases, LAWS_OF_EACH_PROCESS)


def ask_and_post_in_turn(pair: Pair, rounds: int) -> None:
    """Alternately, while laws are learnt anew between."""
    pair.compare()
    for turn in range(rounds):
        pair.post((pair.one, pair.other)[turn % 2])
        for _ in range(8):
            pair.compare()
            time.sleep(0.1)


def kill_who_learns(pair: Pair) -> None:
    """Half way through; the other learns in its stead, and it comes back."""
    # What was learnt so far is in force, so that nothing is under way that nobody holds.
    changes = len(WRENCHES) + len(pair.acknowledged)
    until(lambda: pair.compare().endswith(f"-{changes}"))
    pair.hold()
    pair.post(pair.one)
    named = pair.compare()
    until(lambda: pair.one.learns() or pair.other.learns())
    learner, survivor = pair.one, pair.other
    if not learner.learns():
        learner, survivor = survivor, learner
    for worker in (pair.one, pair.other, pair.one):
        pair.post(worker)
        assert pair.compare() == named  # nobody has learnt since
    time.sleep(2)
    assert not survivor.learns()  # though four times its half second is over
    learner.kill()
    for mark in pair.folder.glob("*.learns"):
        mark.unlink()
    pair.post(survivor)
    assert laws_named(answers(survivor)) == named
    until(survivor.learns)
    pair.let_go()
    until(lambda: laws_named(answers(survivor)) != named)
    learner.start()
    until(lambda: pair.compare() == pair.learnt()[-1])


def test_two_services_answer_alike_while_one_of_them_learns_and_is_killed(
    pair: Pair, long: bool
) -> None:
    for _ in range(10 if long else 1):
        ask_and_post_in_turn(pair, 4)
        kill_who_learns(pair)
    stored = [
        each["id"]
        for serial in WRENCHES
        for each in pair.one.client.get(f"/v1/wrenches/{serial}/checks?limit=200").json()["items"]
    ]
    assert sorted(stored) == sorted(pair.acknowledged)
    learnt = pair.learnt()
    assert len(set(learnt)) == len(learnt)  # from no evidence twice, by whomever


def test_laws_that_each_keeps_for_itself_are_found(pair_with_laws_of_their_own: Pair) -> None:
    with pytest.raises(AssertionError, match="two workers answer differently"):
        ask_and_post_in_turn(pair_with_laws_of_their_own, 20)
