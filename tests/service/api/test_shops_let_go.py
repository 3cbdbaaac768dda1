"""What a process holds of its shops has a bound; one let go is read again and answers as before."""

import math
import random
import threading
import weakref
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from calling import bearer, visiting
from litestar.testing import TestClient
from sample_records import NOW, a_check, a_tester, a_wrench

from analysis.vocabulary import CheckKind
from service import metrics
from service.api.shops import Shops
from service.app import create_app
from service.clock import PinnedClock
from service.fleet_cache import BYTES_OF_A_SHOP, FleetCache
from service.held import HeldBySize
from service.store import Store
from service.store.laws import StoredLaws

METHOD = "error-law-state-space 2"
KEYS = tuple(f"branch {number}" for number in range(4))
MOST_MIB = 10  # two of them
AMPLE_MIB = 1000
ASKED = (
    "/v1/wrenches/SP-1/due",
    "/v1/wrenches/SP-2/risk?torque=60&unit=N.m",
    "/v1/wrenches/SP-1/drift",
    "/v1/risks",
    "/v1/results",
    "/v1/schedule",
)
PATIENCE_S = 60

Client = TestClient[Any]
Answers = list[tuple[bytes, str]]


def add_check(store: Store, key: str, serial: str, days_ago: float) -> None:
    with store.write(key) as shop:
        performed_at = NOW - timedelta(days=days_ago)
        shop.checks.add(a_check(serial, kind=CheckKind.AS_FOUND, performed_at=performed_at))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, dict[str, Any]]]:
    """Shops that differ in the days of their checks, with laws; the tokens of them."""
    path = tmp_path_factory.mktemp("let-go") / "shops.db"
    with Store.open(path, migrate=True) as store:
        for place, key in enumerate(KEYS):
            store.add_shop(key)
            with store.write(key) as shop:
                shop.testers.add(a_tester())
                for serial in ("SP-1", "SP-2"):
                    shop.wrenches.add(a_wrench(serial))
            for days_ago in (300, 100):
                for serial in ("SP-1", "SP-2"):
                    add_check(store, key, serial, days_ago + place)
        tokens = {key: bearer(store, key) for key in KEYS}
        with service(store, AMPLE_MIB) as client:
            answers(client, tokens[KEYS[0]], ASKED[:1])
        with store.read(KEYS[0]) as shop:
            laws = shop.laws.get(METHOD)
        assert laws is not None
        for key in KEYS[1:]:
            with store.write(key) as shop:
                shop.laws.put(METHOD, StoredLaws(shop.evidence_version(), laws.content), NOW)
        yield store, tokens


@pytest.fixture
def store(filled: tuple[Store, dict[str, Any]]) -> Store:
    return filled[0]


@pytest.fixture
def tokens(filled: tuple[Store, dict[str, Any]]) -> dict[str, Any]:
    return filled[1]


def service(store: Store, most_mib: int, relearn_after_s: float = math.inf) -> Client:
    with pytest.MonkeyPatch.context() as settings:
        settings.setenv("WRENCH_DRIFT_SHOPS_MIB", str(most_mib))
        app = create_app(
            store=store, shop=KEYS[0], clock=PinnedClock(NOW), relearn_after_s=relearn_after_s
        )
    return visiting(app)


def answers(client: Client, token: dict[str, str], asked: Sequence[str] = ASKED) -> Answers:
    found = [client.get(path, headers=token) for path in asked]
    assert [answer.status_code for answer in found] == [200] * len(asked)
    return [(answer.content, answer.headers["ETag"]) for answer in found]


@pytest.fixture
def caches(monkeypatch: pytest.MonkeyPatch) -> "weakref.WeakSet[FleetCache]":
    """What is kept of shops by whomever; of a shop let go none must be left."""
    alive: weakref.WeakSet[FleetCache] = weakref.WeakSet()

    class Seen(FleetCache):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given)
            alive.add(self)

    monkeypatch.setattr("service.api.shops.FleetCache", Seen)
    return alive


class Unbounded(AssertionError):  # noqa: N818 - what a test looks for
    """More is kept than the bound allows."""


def ask_in_turn(
    store: Store, tokens: dict[str, Any], alive: Any, expected: Any, asked: int = len(ASKED)
) -> None:
    """Three threads ask of the shops, each in an order of its own; raises Unbounded."""
    with service(store, MOST_MIB) as client:

        def ask(seed: int) -> None:
            order = random.Random(seed).sample(KEYS, len(KEYS))  # noqa: S311 - no secret
            for key in order:
                assert answers(client, tokens[key], ASKED[:asked]) == expected[key][:asked]

        with ThreadPoolExecutor(3) as callers:
            list(callers.map(ask, range(3)))
        # One more, now that nobody is under way.
        answers(client, tokens[KEYS[0]], ASKED[:1])
        told = metrics.SHOPS_HELD_BYTES.collect()[0].samples[0].value
        kept = sum(each.size for each in alive)
        if max(told, kept) > MOST_MIB * 2**20 or len(alive) * BYTES_OF_A_SHOP > kept:
            raise Unbounded(f"{len(alive)} shops of {kept} bytes, {told} told")
        assert told == kept


@pytest.fixture(scope="module")
def expected(filled: tuple[Store, dict[str, Any]]) -> dict[str, Answers]:
    """What a process answers that holds every shop, each asked twice."""
    store, tokens = filled
    with service(store, AMPLE_MIB) as client:
        found = {key: answers(client, tokens[key]) for key in KEYS}
        assert {key: answers(client, tokens[key]) for key in KEYS} == found
    assert len({shop[0] for shop in found.values()}) == len(KEYS)
    return found


def test_shops_asked_in_turn_stay_within_the_bound_and_answer_as_before(
    store: Store, tokens: dict[str, Any], expected: dict[str, Answers], caches: Any
) -> None:
    before = metrics.SHOPS_LET_GO.collect()[0].samples[0].value
    ask_in_turn(store, tokens, caches, expected)
    assert metrics.SHOPS_LET_GO.collect()[0].samples[0].value - before >= len(KEYS) - 2


def test_a_process_that_lets_nothing_go_is_found(
    store: Store,
    tokens: dict[str, Any],
    expected: dict[str, Answers],
    caches: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def nothing_goes(held: Any, _: str) -> list[Any]:
        held._report(len(held._places), held._size, 0)
        return []

    monkeypatch.setattr(HeldBySize, "_make_room", nothing_goes)
    with pytest.raises(Unbounded):
        ask_in_turn(store, tokens, caches, expected, asked=1)


def test_what_is_let_go_but_kept_elsewhere_is_found(
    store: Store,
    tokens: dict[str, Any],
    expected: dict[str, Answers],
    caches: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    kept_elsewhere: list[Any] = []
    monkeypatch.setattr("service.api.shops.HeldShop.let_go", lambda own: kept_elsewhere.append(own))
    with pytest.raises(Unbounded):
        ask_in_turn(store, tokens, caches, expected, asked=1)


class HeldPlacing:
    """The placing of a fleet under laws, which waits until it may go on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        from analysis.fleet import place_fleet

        self.begun, self.go_on = threading.Event(), threading.Event()
        self.made = 0
        self._placed = place_fleet
        monkeypatch.setattr("analysis.fleet.place_fleet", self)

    def __call__(self, *given: Any) -> Any:
        self.made += 1
        if self.made == 1:
            self.begun.set()
            assert self.go_on.wait(PATIENCE_S)
        return self._placed(*given)


def test_a_question_under_way_is_answered_though_its_shop_is_let_go(
    store: Store,
    tokens: dict[str, Any],
    expected: dict[str, Answers],
    caches: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first, *others = KEYS
    placing = HeldPlacing(monkeypatch)
    with service(store, MOST_MIB) as client, ThreadPoolExecutor(1) as callers:
        under_way = callers.submit(answers, client, tokens[first])
        assert placing.begun.wait(PATIENCE_S)
        for key in others:
            assert answers(client, tokens[key]) == expected[key]
        # It was let go, so it is read once more; that waits for nobody.
        assert answers(client, tokens[first]) == expected[first]
        assert not under_way.done()
        placing.go_on.set()
        assert under_way.result() == expected[first]
        assert len(caches) == 2


def test_a_shop_whose_day_is_being_worked_out_is_not_begun_anew(
    store: Store, tokens: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that asks again and again would never see it."""
    first, *others = KEYS
    placing = HeldPlacing(monkeypatch)
    shops = Shops(store, PinnedClock(NOW), math.inf, most_mib=MOST_MIB)
    days = shops.held(first).fleet_days
    assert days.seen().day is None
    assert placing.begun.wait(PATIENCE_S)
    for key in others:
        shops.held(key)
    assert shops.held(first).fleet_days is days
    placing.go_on.set()
    assert days.wait(PATIENCE_S)
    assert shops.held(first).fleet_days.seen().day is not None


def stored_laws(store: Store, key: str) -> tuple[str, str]:
    """The evidence of the laws, and that of the shop."""
    with store.read(key) as shop:
        laws = shop.laws.get(METHOD)
        assert laws is not None
        return laws.evidence, shop.evidence_version()


def until_learnt(store: Store, key: str) -> None:
    for _ in range(20 * PATIENCE_S):
        learnt, latest = stored_laws(store, key)
        if learnt == latest:
            return
        threading.Event().wait(0.05)
    raise AssertionError("its laws were not learnt")


@pytest.mark.faults
def test_what_is_to_be_learnt_of_a_shop_let_go_is_learnt(
    store: Store, tokens: dict[str, Any], caches: Any
) -> None:
    first, *others = KEYS
    add_check(store, first, "SP-1", 2)
    with service(store, MOST_MIB, relearn_after_s=1.0) as client:
        before = answers(client, tokens[first], ASKED[:1])
        for key in others[:2]:
            answers(client, tokens[key], ASKED[:1])
        assert len(caches) == 2
        until_learnt(store, first)
        after = answers(client, tokens[first], ASKED[:1])
        assert after != before
        with service(store, AMPLE_MIB) as ample:
            assert answers(ample, tokens[first], ASKED[:1]) == after


@pytest.mark.faults
def test_a_shop_let_go_learns_nothing_once_the_service_stops(
    store: Store, tokens: dict[str, Any]
) -> None:
    first, *others = KEYS
    add_check(store, first, "SP-2", 1)
    with service(store, MOST_MIB, relearn_after_s=0.5) as client:
        for key in (first, *others[:2]):
            answers(client, tokens[key], ASKED[:1])
    threading.Event().wait(1.0)
    learnt, latest = stored_laws(store, first)
    assert learnt != latest
