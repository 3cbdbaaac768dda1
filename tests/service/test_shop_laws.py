"""Two workers over one store answer by the laws that it holds, and one of them learns for both."""

import json
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from calling import bearer, visiting
from litestar.testing import TestClient
from sample_records import NOW, a_check, a_tester, a_wrench

from analysis.deviation import with_deviations
from analysis.fleet_laws import FleetLaws, learn_fleet_laws
from analysis.teachers import Teachers
from analysis.vocabulary import CheckKind, Mechanism
from service.app import create_app
from service.clock import PinnedClock
from service.records import Check
from service.relearning import Relearning
from service.shop_laws import Evidence, Laws, ShopLaws
from service.store import LOCAL_SHOP, Store
from service.store.laws import StoredLaws

ASKED = ("/v1/wrenches/SP-1/due", "/v1/wrenches/SP-2/risk", "/v1/risks")
METHOD = "error-law-state-space 2"
NEVER = 3600.0  # seconds: not while a test runs

Client = TestClient[Any]
Answers = list[tuple[bytes, str]]


_LEARNT: dict[bytes, FleetLaws] = {}  # in an earlier test, from the same readings


class Learning:
    """Counts how often laws are learnt, and can hold who learns.

    in_steps  whoever has gone on holds the next
    """

    def __init__(self) -> None:
        self.made = 0
        self.in_steps = False
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.go_on.set()

    def __call__(self, teachers: Teachers) -> FleetLaws:
        self.begun.set()
        assert self.go_on.wait(60)
        if self.in_steps:
            self.held()
        self.made += 1
        read = teachers.deviations.select("wrench", "day", "deviation_pct").write_csv().encode()
        if read not in _LEARNT:
            _LEARNT[read] = learn_fleet_laws(teachers)
        return _LEARNT[read]

    def held(self) -> None:
        self.begun.clear()
        self.go_on.clear()


@pytest.fixture
def learning(monkeypatch: pytest.MonkeyPatch) -> Iterator[Learning]:
    counted = Learning()
    monkeypatch.setattr("analysis.fleet_laws.learn_fleet_laws", counted)
    yield counted
    counted.go_on.set()


def a_reading_of(serial: str, days_ago: int) -> Check:
    return a_check(
        serial, kind=CheckKind.AS_FOUND, performed_at=NOW - timedelta(days=days_ago, minutes=1)
    )


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A store with two wrenches of one family."""
    path = tmp_path / "shop.db"
    with Store.open(path, migrate=True) as store, store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        for serial in ("SP-1", "SP-2"):
            shop.wrenches.add(a_wrench(serial))
            for days_ago in (300, 100):
                shop.checks.add(a_reading_of(serial, days_ago))
    return path


Workers = Callable[..., Client]


@pytest.fixture
def worker(place: Path) -> Iterator[Workers]:
    """Starts a worker: with connections, caches and a thread of its own."""
    with ExitStack() as running:
        headers: dict[str, str] = {}

        def started(relearn_after_s: float = NEVER) -> Client:
            store = running.enter_context(Store.open(place))
            if not headers:
                headers.update(bearer(store))
            app = create_app(store=store, clock=PinnedClock(NOW), relearn_after_s=relearn_after_s)
            client = running.enter_context(visiting(app))
            client.headers.update(headers)
            return client

        yield started


def answers(client: Client) -> Answers:
    found = [client.get(path) for path in ASKED]
    assert [answer.status_code for answer in found] == [200] * len(ASKED)
    return [(answer.content, answer.headers["ETag"]) for answer in found]


def laws_named(found: Answers) -> str:
    named: str = json.loads(found[0][0])["method"]["laws"]
    return named


def add_check(place: Path) -> None:
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_reading_of("SP-1", 1))


def stored(place: Path, shop: str = LOCAL_SHOP, method: str = METHOD) -> StoredLaws | None:
    with Store.open(place) as store, store.read(shop) as records:
        return records.laws.get(method)


def until(condition: Callable[[], bool]) -> None:
    for _ in range(1200):
        if condition():
            return
        threading.Event().wait(0.05)
    raise AssertionError("it did not come about")


def test_a_worker_that_is_started_does_not_learn(
    place: Path, worker: Workers, learning: Learning
) -> None:
    before = answers(worker())
    add_check(place)
    answers(worker())
    assert learning.made == 1
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        shop.checks.void(shop.checks.list("SP-1")[0].id, "wrong tester", NOW)
    # The readings are those of the beginning again, under the laws that were learnt then.
    after = answers(worker())
    assert after[0][0] == before[0][0]
    assert learning.made == 1


def test_two_workers_answer_alike_before_during_and_after_learning_anew(
    place: Path, worker: Workers, learning: Learning
) -> None:
    """Byte by byte and under one tag, whichever of them learns."""
    one, other = worker(0.05), worker(0.05)
    before = answers(one)
    assert answers(other) == before
    learning.held()
    add_check(place)
    during = answers(one)
    assert answers(other) == during
    assert learning.begun.wait(60)
    assert answers(one) == during
    learning.go_on.set()
    until(lambda: laws_named(answers(one)) != laws_named(during))
    after = answers(one)
    assert answers(other) == after
    assert len({laws_named(before), laws_named(during), laws_named(after)}) == 2
    assert learning.made == 2  # once for each evidence, by one of the two
    assert answers(worker()) == after  # and placed at once as they were placed check by check


def test_two_that_begin_at_once_learn_once(worker: Workers, learning: Learning) -> None:
    one, other = worker(), worker()
    learning.held()
    with ThreadPoolExecutor(2) as callers:
        both = [callers.submit(answers, client) for client in (one, other)]
        assert learning.begun.wait(60)
        learning.go_on.set()
        first, second = (each.result() for each in both)
    assert first == second
    assert learning.made == 1


@pytest.mark.faults
def test_who_waits_in_vain_learns_as_well(
    place: Path, worker: Workers, learning: Learning, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A learner that hangs holds up no question for ever."""
    monkeypatch.setattr("service.shop_laws._PATIENCE_S", 0.2)
    client = worker()
    with Store.open(place) as store, store.learner(LOCAL_SHOP) as alone:
        assert alone
        found = answers(client)
    assert learning.made == 1
    assert answers(worker()) == found


@pytest.mark.faults
def test_laws_of_evidence_that_is_outdated_by_now_are_stored(
    place: Path, worker: Workers, learning: Learning
) -> None:
    client = worker(0.05)
    first = answers(client)
    add_check(place)
    learning.held()
    learning.in_steps = True
    assert laws_named(answers(client)) == laws_named(first)
    assert learning.begun.wait(60)
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_reading_of("SP-2", 2))
        latest = shop.evidence_version()
    assert laws_named(answers(client)) == laws_named(first)
    learning.go_on.set()
    until(lambda: laws_named(answers(client)) != laws_named(first))
    assert laws_named(answers(client)) != latest
    learning.in_steps = False
    learning.go_on.set()
    until(lambda: laws_named(answers(client)) == latest)
    assert learning.made == 3


@pytest.mark.faults
def test_the_first_wrench_of_its_kind_is_learnt_of_once_for_both(
    place: Path, worker: Workers, learning: Learning
) -> None:
    one, other = worker(), worker()
    answers(one)
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench("DL-1", mechanism=Mechanism.DIAL))
        shop.checks.add(a_reading_of("DL-1", 3))
        latest = shop.evidence_version()
    found = answers(one)
    assert answers(other) == found
    assert laws_named(found) == latest
    assert learning.made == 2


def elsewhere(record: dict[str, Any]) -> dict[str, Any]:
    for family in record["families"]:
        family["law"]["level_mean"] = [[9.0, 9.0] for _ in family["law"]["level_mean"]]
    return record


FORGED: Mapping[str, Callable[[dict[str, Any]], str]] = {
    "another version": lambda record: json.dumps(
        {**elsewhere(record), "method": {**record["method"], "version": "1"}}
    ),
    "a part": lambda record: json.dumps({"method": record["method"]}),
    "no record": lambda _: "[]",
    "no JSON": lambda record: json.dumps(record)[:-5],
}


def put_forged(place: Path, forge: Callable[[dict[str, Any]], str]) -> StoredLaws:
    """Forge what is stored; what was stored before."""
    held = stored(place)
    assert held is not None
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        forged = forge(json.loads(held.content))
        shop.laws.put(METHOD, StoredLaws(held.evidence, forged), NOW)
    return held


@pytest.fixture
def learnt(place: Path) -> Path:
    """The store with laws in it."""
    with Store.open(place) as store, store.read(LOCAL_SHOP) as shop:
        wrenches, readings = shop.evidence(NOW)
        version = shop.evidence_version()
        deviations = with_deviations(wrenches, readings)
        ShopLaws(store, LOCAL_SHOP, PinnedClock(NOW), Relearning(NEVER)).learn(
            Evidence(version, wrenches, deviations)
        )
    return place


@pytest.mark.parametrize("forge", FORGED.values(), ids=FORGED)
def test_laws_that_are_not_of_this_method_or_no_laws_are_not_read(
    learnt: Path, learning: Learning, forge: Callable[[dict[str, Any]], str]
) -> None:
    def in_force() -> Laws | None:
        with Store.open(learnt) as store, store.read(LOCAL_SHOP) as records:
            return ShopLaws(store, LOCAL_SHOP, PinnedClock(NOW), Relearning(NEVER)).in_force(
                records
            )

    assert in_force() is not None
    put_forged(learnt, forge)
    assert in_force() is None


@pytest.mark.faults
def test_laws_that_are_not_read_are_learnt_anew_and_replaced(
    place: Path, worker: Workers, learning: Learning
) -> None:
    before = answers(worker())
    held = put_forged(place, FORGED["another version"])
    assert answers(worker()) == before
    assert learning.made == 2
    assert stored(place) == held


def test_laws_that_are_stored_are_those_that_answers_rest_on(
    place: Path, worker: Workers, learning: Learning
) -> None:
    """Others of the same method do change the answers, so the test above can fail."""
    before = answers(worker())
    put_forged(place, lambda record: json.dumps(elsewhere(record)))
    assert answers(worker()) != before
    assert learning.made == 1


def test_laws_of_another_method_stand_beside_and_are_not_used(
    place: Path, worker: Workers, learning: Learning
) -> None:
    with Store.open(place) as store, store.write(LOCAL_SHOP) as shop:
        shop.laws.put("another 1", StoredLaws(shop.evidence_version(), "{}"), NOW)
    answers(worker())
    assert learning.made == 1
    assert stored(place, method="another 1") is not None


def test_a_shop_never_sees_the_laws_of_another(
    place: Path, worker: Workers, learning: Learning
) -> None:
    with Store.open(place) as store:
        store.add_shop("next door")
        with store.write("next door") as shop:
            shop.laws.put(METHOD, StoredLaws("next-99", "not to be read"), NOW)
    found = answers(worker())
    held, theirs = stored(place), stored(place, "next door")
    assert held is not None
    assert held.evidence == laws_named(found)
    assert theirs == StoredLaws("next-99", "not to be read")
    assert learning.made == 1


def test_one_learns_at_a_time_in_each_shop(place: Path) -> None:
    with Store.open(place) as one, Store.open(place) as other:
        one.add_shop("next door")
        with one.learner(LOCAL_SHOP) as first:
            with other.learner(LOCAL_SHOP) as second, one.learner("next door") as elsewhere:
                assert (first, second, elsewhere) == (True, False, True)
            with one.learner(LOCAL_SHOP) as again:
                assert not again  # another thread of the same worker
        with other.learner(LOCAL_SHOP) as after:
            assert after


def test_after_it_is_called_off_nothing_waits_to_be_learnt(place: Path) -> None:
    relearning = Relearning(0.01)
    with Store.open(place) as store:
        laws = ShopLaws(store, LOCAL_SHOP, PinnedClock(NOW), relearning)
        laws.call_off()
        laws.learn_soon()
        assert relearning.wait(30)
    assert stored(place) is None
