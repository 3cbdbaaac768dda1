"""Twenty clients with one key, two services over one store, processes that migrate at once."""

import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from old_stores import first_schema
from planted import KEY_NOT_LOOKED_UP, TRANSACTION_DEFERRED
from requests_sent import Sent
from served import Served, served, served_shop
from store_audit import damage

from service.store.migrate import HEAD

CALLERS = 20


def sent_at_once(services: list[Served], requests: list[Sent]) -> list[tuple[int, bytes]]:
    """Each request by a caller of its own, to the services in turn; status and body of each."""

    def call(number: int) -> tuple[int, bytes]:
        with services[number % len(services)].client() as client:
            response = requests[number].send(client)
            return response.status_code, response.content

    with ThreadPoolExecutor(len(requests)) as callers:
        return list(callers.map(call, range(len(requests))))


def one_key(folder: Path, environment: Mapping[str, str] | None = None) -> Counter[object]:
    """How often each answer came to one request, sent by twenty callers at once, many times."""
    answers: Counter[object] = Counter()
    with served_shop(folder, environment) as (service, ledger):
        for number in range(10):
            sent = ledger.file(4) if number % 2 else ledger.single()
            came = sent_at_once([service], [sent] * CALLERS)
            answers[len(set(came)), came[0][0]] += 1
        wrong = damage(service.store, ledger.sent, ledger.acknowledged())
        assert wrong == []
    return answers


def test_one_key_from_twenty_clients_at_once_has_one_effect(tmp_path: Path) -> None:
    """And twenty equal answers."""
    assert one_key(tmp_path) == {(1, 201): 5, (1, 200): 5}


def test_a_key_not_looked_up_is_found(tmp_path: Path) -> None:
    answers = one_key(tmp_path, KEY_NOT_LOOKED_UP.plant(tmp_path / "code"))
    assert any(different > 1 for different, _ in answers)


def two_services(
    folder: Path, rounds: int, environment: Mapping[str, str] | None = None
) -> Counter[int]:
    """Statuses of checks that two services over one store take in at the same time."""
    statuses: Counter[int] = Counter()
    with (
        served_shop(folder, environment) as (one, ledger),
        served(one.store, environment) as other,
    ):
        for _ in range(rounds):
            requests = [ledger.single() for _ in range(CALLERS)]
            statuses.update(status for status, _ in sent_at_once([one, other], requests))
        assert damage(one.store, ledger.sent, ledger.acknowledged()) == []
    return statuses


def test_two_services_over_one_store_take_turns(tmp_path: Path, long: bool) -> None:
    rounds = 100 if long else 6
    assert two_services(tmp_path, rounds) == {201: rounds * CALLERS}


def test_a_lock_taken_late_is_found(tmp_path: Path) -> None:
    """A transaction that has read cannot write any more once another has written."""
    statuses = two_services(tmp_path, 6, TRANSACTION_DEFERRED.plant(tmp_path / "code"))
    assert set(statuses) > {201}


def upgrades(store: Path, count: int, environment: Mapping[str, str] | None = None) -> list[str]:
    """What each of so many processes said that upgraded the store at once; empty when it worked."""
    program = Path(sys.executable).parent / "wrench-drift"
    processes = [
        subprocess.Popen(
            [program, "db", "upgrade", "--store", store],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=dict(environment) if environment else None,
        )
        for _ in range(count)
    ]
    said = [process.communicate(timeout=120)[0] for process in processes]
    return [text for process, text in zip(processes, said, strict=True) if process.returncode]


@pytest.mark.parametrize("filled", [False, True])
def test_processes_that_migrate_at_once_all_find_a_store_of_this_release(
    tmp_path: Path, filled: bool, long: bool
) -> None:
    """A new store, and one from before with a wrench in it."""
    for number in range(20 if long else 2):
        store = tmp_path / f"{number}.db"
        if filled:
            first_schema(store)
        assert upgrades(store, 4) == []
        with closing(sqlite3.connect(store)) as connection:
            assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [
                (HEAD,)
            ]
            assert connection.execute("SELECT count(*) FROM shops").fetchone() == (1,)
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            wrenches = connection.execute("SELECT serial FROM wrenches").fetchall()
            assert wrenches == ([("FT-00",)] if filled else [])
