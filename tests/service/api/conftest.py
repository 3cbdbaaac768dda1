from collections.abc import Iterator

import pytest
from litestar.testing import TestClient
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store


@pytest.fixture
def client(store: Store) -> Iterator[TestClient[Application]]:
    """The service over a shop with the wrench TW-1 and the tester TB-1, at a pinned time."""
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client
