from collections.abc import Iterator
from contextlib import AbstractContextManager
from typing import Any, cast

import pytest
from litestar.testing import TestClient
from sample_records import NOW, a_tester, a_wrench

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, ShopStore, Store


class Shops:
    """One store and one service for all tests, with a new shop for each of them."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.key = ""
        self._opened = 0

    def open_next(self) -> None:
        """A shop with the wrench TW-1 and the tester TB-1."""
        self._opened += 1
        self.key = f"shop {self._opened}"
        self.store.add_shop(self.key)
        with self.store.write(self.key) as shop:
            shop.wrenches.add(a_wrench())
            shop.testers.add(a_tester())

    # What the service asks of its store.

    def read(self, _: str) -> AbstractContextManager[ShopStore]:
        return self.store.read(self.key)

    def write(self, _: str) -> AbstractContextManager[ShopStore]:
        return self.store.write(self.key)

    def require_ready(self) -> None:
        self.store.require_ready()


@pytest.fixture(scope="session")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shops]:
    with Store.open(tmp_path_factory.mktemp("shops") / "shops.db", migrate=True) as store:
        yield Shops(store)


@pytest.fixture(scope="session")
def service_of_shops(shops: Shops) -> Iterator[TestClient[Application]]:
    store: Any = shops
    app = create_app(store=cast("Store", store), shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def client(shops: Shops, service_of_shops: TestClient[Application]) -> TestClient[Application]:
    """The service over a shop with the wrench TW-1 and the tester TB-1, at a pinned time."""
    shops.open_next()
    return service_of_shops
