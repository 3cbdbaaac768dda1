from collections.abc import Iterator
from pathlib import Path

import pytest
from sample_records import a_tester, a_wrench

from service.store import LOCAL_SHOP, Store


@pytest.fixture
def empty_store(tmp_path: Path) -> Iterator[Store]:
    """A new store with its local shop and nothing in it."""
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        yield store


@pytest.fixture
def store(empty_store: Store) -> Store:
    """A store with the wrench TW-1 and the tester TB-1."""
    with empty_store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench())
        shop.testers.add(a_tester())
    return empty_store
