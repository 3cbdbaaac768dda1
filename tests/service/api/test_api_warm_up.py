"""A server works out the shop's forecasts when it starts, and nothing has to wait for that."""

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_fleet import fill
from sample_records import NOW

from analysis.fleet import FleetFit, fit_fleet
from service.api.access import Shop
from service.api.warm_up import WarmUp
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store


class HeldFit:
    """A fit that waits until it is let go; counts how often it was asked for."""

    def __init__(self) -> None:
        self.made = 0
        self.begun = threading.Event()
        self.let_go = threading.Event()

    def __call__(self, wrenches: Any, deviations: Any) -> FleetFit:
        self.made += 1
        self.begun.set()
        assert self.let_go.wait(30)
        return fit_fleet(wrenches, deviations)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[HeldFit]:
    fit = HeldFit()
    monkeypatch.setattr("analysis.fleet.fit_fleet", fit)
    yield fit
    fit.let_go.set()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "shop.db", migrate=True) as opened:
        fill(opened, ("EL-1",))
        yield opened


def client(store: Store, *, warm: bool) -> TestClient[Any]:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW), warm=warm)
    return signed_in(app, store)


def test_the_service_lives_while_it_warms_up_and_stops_without_waiting(
    store: Store, held: HeldFit
) -> None:
    with client(store, warm=True) as warming:
        assert held.begun.wait(30)
        for path in ("/health/live", "/health/ready", "/v1/wrenches"):
            assert warming.get(path).status_code == 200
        stopping = time.monotonic()
    assert time.monotonic() - stopping < 5
    assert not held.let_go.is_set()


def test_a_question_takes_the_fit_of_the_warm_up(store: Store, held: HeldFit) -> None:
    held.let_go.set()
    with client(store, warm=True) as warming:
        assert held.begun.wait(30)
        assert warming.get("/v1/schedule").status_code == 200
        assert warming.get("/v1/wrenches/EL-1/due").status_code == 200
    assert held.made == 1


def test_no_forecast_is_worked_out_unasked(store: Store, held: HeldFit) -> None:
    with client(store, warm=False) as cold:
        assert cold.get("/health/live").status_code == 200
        assert not held.begun.wait(0.2)


def test_a_warm_up_called_off_does_not_begin(store: Store, held: HeldFit) -> None:
    warm_up = WarmUp(lambda: Shop(store, LOCAL_SHOP, PinnedClock(NOW)))
    warm_up.call_off()
    warm_up.start()
    assert warm_up.wait(30)
    assert held.made == 0


def test_a_warm_up_called_off_takes_no_further_step(
    store: Store, held: HeldFit, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    monkeypatch.setattr("analysis.shop.due_of_shop", lambda *_: steps.append("due") or {})
    warm_up = WarmUp(lambda: Shop(store, LOCAL_SHOP, PinnedClock(NOW)))
    warm_up.start()
    assert held.begun.wait(30)
    warm_up.call_off()
    held.let_go.set()
    assert warm_up.wait(30)
    assert steps == []


def test_a_store_without_the_shop_is_no_fault_of_the_warm_up(store: Store) -> None:
    """Readiness tells; an exception in the thread would fail this test."""
    warm_up = WarmUp(lambda: Shop(store, "no such shop", PinnedClock(NOW)))
    warm_up.start()
    assert warm_up.wait(30)
