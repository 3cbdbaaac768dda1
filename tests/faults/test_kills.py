"""kill -9 while eight clients send checks one by one and in files.

After every kill the files are looked at as they lie, the service is started again, and each client
sends what it got no answer to once more, under the same key.
"""

import random
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from planted import FILE_IN_PIECES
from requests_sent import Ledger, Sent, open_shop
from served import Served
from store_audit import damage, stored_keys

CLIENTS = 8
PER_FILE = 12
MOST_ANSWERS = 40  # from one start to the kill
KILLS_OF_A_STORE = 50  # then another begins, so that histories stay those of a shop


@dataclass
class Ordeal:
    """What was sent to one store through kill after kill, and what was found wrong with it."""

    ledger: Ledger = field(default_factory=Ledger)
    kills: int = 0
    cut_off: int = 0  # requests without an answer
    cut_off_stored: int = 0  # of those, stored all the same
    told_busy: int = 0  # requests to be sent again later
    found: list[str] = field(default_factory=list)


class Client(threading.Thread):
    """Sends request after request, until one gets no answer.

    Told that the store is busy, which a machine with much else to do may come to, it does as it is
    told: it asks again under the same key.
    """

    def __init__(self, service: Served, ledger: Ledger, again: Sent | None, files: float) -> None:
        super().__init__()
        self._service = service
        self._ledger = ledger
        self._files = files
        self._chance = random.Random(len(ledger.sent))  # noqa: S311 - no secret
        self.unanswered = again
        self.answered = 0
        self.told_busy = 0
        self.refusals: list[str] = []

    def run(self) -> None:
        with self._service.client() as client:
            while not self.refusals:
                sent = self.unanswered or self._next()
                self.unanswered = sent
                try:
                    response = sent.send(client)
                except httpx.TransportError:
                    return
                if response.status_code == httpx.codes.SERVICE_UNAVAILABLE:
                    self.told_busy += 1
                    time.sleep(int(response.headers["Retry-After"]))
                    continue
                if not response.is_success:
                    self.refusals.append(f"{sent.key}: {response.status_code} {response.text}")
                self.unanswered = None
                self.answered += 1

    def _next(self) -> Sent:
        if self._chance.random() < self._files:
            return self._ledger.file(PER_FILE)
        return self._ledger.single()


def ordeal(
    folder: Path,
    *,
    kills: int,
    files: float,
    seed: int,
    environment: Mapping[str, str] | None = None,
    stop_at_damage: bool = False,
) -> Ordeal:
    """Kill a service over a new store so many times.

    files   share of the requests that send a file
    """
    chance = random.Random(seed)  # noqa: S311 - no secret
    store = folder / "store" / "shop.db"
    store.parent.mkdir(parents=True)
    service = Served(store, environment=environment)
    made = Ordeal()
    unanswered: list[Sent | None] = [None] * CLIENTS
    for number in range(kills):
        with service:
            if number == 0:
                with service.client() as client:
                    open_shop(client)
            clients = [Client(service, made.ledger, each, files) for each in unanswered]
            for client in clients:
                client.start()
            _wait_for(clients, chance.randrange(MOST_ANSWERS))
            time.sleep(chance.uniform(0, 0.03))
            service.kill()
            for client in clients:
                client.join()
        made.kills += 1
        unanswered = [client.unanswered for client in clients]
        made.found += [refusal for client in clients for refusal in client.refusals]
        made.told_busy += sum(client.told_busy for client in clients)
        cut_off = [each for each in unanswered if each is not None]
        made.cut_off += len(cut_off)
        made.found += _looked_at(store, folder / "copy", made, cut_off)
        if made.found and stop_at_damage:
            return made
    _send_again(service, unanswered, made)
    return made


def _wait_for(clients: list[Client], answers: int) -> None:
    """Until so many requests were answered: a busy machine is killed amid its work too."""
    end = time.monotonic() + 60
    while sum(client.answered for client in clients) < answers and time.monotonic() < end:
        time.sleep(0.002)


def _looked_at(store: Path, copy: Path, made: Ordeal, cut_off: list[Sent]) -> list[str]:
    """A copy is opened, so that the service itself finds the files as the kill left them."""
    copy.mkdir(exist_ok=True)
    for end in ("", "-wal"):
        if (store.parent / f"shop.db{end}").exists():
            shutil.copy(store.parent / f"shop.db{end}", copy / f"shop.db{end}")
    # What is whole in the store without having been acknowledged is as it should be.
    stored = stored_keys(copy / "shop.db")
    made.cut_off_stored += sum(each.key in stored for each in cut_off)
    return damage(copy / "shop.db", made.ledger.sent, made.ledger.acknowledged())


def _send_again(service: Served, unanswered: list[Sent | None], made: Ordeal) -> None:
    """What is left without an answer, and a look at the store of a service that stopped."""
    with service:
        with service.client() as client:
            for sent in filter(None, unanswered):
                if not sent.send(client).is_success:
                    made.found.append(f"{sent.key} was refused when it was sent again")
        service.stop()
    made.found += damage(service.store, made.ledger.sent, made.ledger.sent)
    program = Path(sys.executable).parent / "wrench-drift"
    verified = subprocess.run(
        [program, "audit", "verify", "--store", service.store],
        capture_output=True,
        text=True,
        check=False,
    )
    if verified.returncode:
        made.found.append(verified.stdout + verified.stderr)


def test_kills_lose_double_and_halve_nothing(tmp_path: Path, long: bool) -> None:
    made: list[Ordeal] = []
    left = 500 if long else 15
    while left:
        kills = min(left, KILLS_OF_A_STORE)
        made.append(ordeal(tmp_path / str(left), kills=kills, files=0.2, seed=left))
        left -= kills
        print(  # noqa: T201 - figures for the table in DEVELOPERS.md
            f"{sum(each.kills for each in made)} kills, "
            f"{sum(len(each.ledger.acknowledged()) for each in made)} requests acknowledged with "
            f"{sum(len(s.checks) for each in made for s in each.ledger.sent)} checks, "
            f"{sum(each.cut_off for each in made)} cut off, "
            f"{sum(each.cut_off_stored for each in made)} of them stored, "
            f"{sum(each.told_busy for each in made)} told that the store is busy, "
            f"{sum(len(each.found) for each in made)} faults"
        )
        assert made[-1].found == []
    # The kills came amid the work, not between.
    assert sum(each.cut_off for each in made) > CLIENTS


def test_a_file_stored_in_pieces_is_found(tmp_path: Path) -> None:
    """Its other consequences, as a file refused when it is sent again, may end an ordeal first."""
    environment = FILE_IN_PIECES.plant(tmp_path / "code")
    found: list[str] = []
    for seed in (1, 2, 3):
        made = ordeal(
            tmp_path / str(seed),
            kills=40,  # at most: the first damage ends it
            files=1.0,
            seed=seed,
            environment=environment,
            stop_at_damage=True,
        )
        assert made.found
        found += made.found
        if any(f"of {PER_FILE} checks are stored" in each for each in made.found):
            return
    raise AssertionError(found)
