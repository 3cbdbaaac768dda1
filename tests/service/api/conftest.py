from collections.abc import Iterator
from typing import Any

import pytest
from calling import bearer, visiting
from litestar.testing import TestClient
from sample_records import NOW, a_tester, a_wrench

from service.api.methods import Application
from service.app import create_app
from service.audit import verify
from service.clock import PinnedClock
from service.store import Store


class Shops:
    """One store and one service for all tests, with a new shop for each of them."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.key = ""
        self._opened = 0

    def open_next(self) -> dict[str, str]:
        """A shop with the wrench TW-1 and the tester TB-1; the header that opens it."""
        self._opened += 1
        self.key = f"shop {self._opened}"
        self.store.add_shop(self.key)
        with self.store.write(self.key) as shop:
            shop.wrenches.add(a_wrench())
            shop.testers.add(a_tester())
        return bearer(self.store, self.key)


@pytest.fixture(autouse=True)
def patient_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages wait for what they rest on, so that a test need not ask twice."""
    monkeypatch.setattr("service.api.made_ready.PATIENCE_S", 60.0)


@pytest.fixture(scope="session")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shops]:
    with Store.open(tmp_path_factory.mktemp("shops") / "shops.db", migrate=True) as store:
        yield Shops(store)
        # Whatever the tests did, every record has its entry and every hash fits.
        for key in store.shops():
            with store.read(key) as records:
                assert verify(records).misfit is None


@pytest.fixture(scope="session")
def service_of_shops(shops: Shops) -> Iterator[TestClient[Application]]:
    with visiting(create_app(store=shops.store, clock=PinnedClock(NOW))) as client:
        yield client


@pytest.fixture
def client(shops: Shops, service_of_shops: TestClient[Any]) -> TestClient[Any]:
    """The service over a shop with the wrench TW-1 and the tester TB-1, at a pinned time."""
    service_of_shops.headers.update(shops.open_next())
    service_of_shops.cookies.clear()
    return service_of_shops
