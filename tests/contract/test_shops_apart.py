"""No operation shows or changes another shop's records, whatever identifiers it is given.

Made from the description, so that a new operation is held to it as well. The last tests plant the
defects that these are there for, and see them caught.
"""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from asking import OPERATIONS, OWN, Operation, each, with_story
from calling import signed_in
from litestar.testing import TestClient
from story import app_over

from service.store import LOCAL_SHOP, Store
from service.store import store as store_module

CLOSED = [operation for operation in OPERATIONS if not operation.is_open]
# Its wrench is the other shop's, and refused as unknown.
ABOUT_A_WRENCH = {"importChecks", "importPulls", "bookBench"}


class TwoShops:
    """A store with a shop in which the story was told, and another that is asked about it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.ids = with_story(store)
        self.app = app_over(store)
        self._opened = 0

    def neighbour(self) -> TestClient[Any]:
        """A client with a token of a new shop, which has nothing in it."""
        self._opened += 1
        shop = f"next door {self._opened}"
        self.store.add_shop(shop)
        return signed_in(self.app, self.store, shop)

    def records(self) -> str:
        """What the first shop has on record, as text."""
        with self.store.read(LOCAL_SHOP) as shop:
            return json.dumps(
                [
                    shop.evidence_version(),
                    shop.pulls_version(),
                    shop.policy.get().version,
                    repr(shop.bookings.every()),
                    repr(shop.testers.list()),
                    repr([each.revoked_at for each in shop.tokens.list()]),
                    repr(shop.wrenches.list()),
                    repr(shop.events.list("SP-101")),
                ]
            )


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwoShops]:
    with Store.open(tmp_path_factory.mktemp("shops") / "shop.db", migrate=True) as store:
        yield TwoShops(store)


def leak(operation: Operation, shops: TwoShops) -> str | None:
    """What another shop's token brings to light or changes; None: nothing."""
    client = shops.neighbour()
    before = shops.records()
    answer = operation.ask(client, shops.ids)
    if shops.records() != before:
        return "a record of the other shop was changed"
    if operation.of_one_record:
        kind = answer.json().get("type") if answer.status_code == 404 else None
        return None if kind == "/problems/unknown-record" else f"answered {answer.status_code}"
    if operation.id in ABOUT_A_WRENCH:
        named = {fault["field"].removeprefix("/") for fault in answer.json().get("errors", ())}
        return None if "wrench" in named else f"answered {answer.status_code}"
    if not answer.is_success:
        # The other shop's record of this serial must not stand in the way.
        return f"answered {answer.status_code}: {answer.text}"
    shown = [own for own in OWN if own in answer.text]
    return f"showed {shown}" if operation.method == "get" and shown else None


@each(CLOSED)
def test_the_records_of_one_shop_are_unknown_to_another(
    shops: TwoShops, operation: Operation
) -> None:
    assert leak(operation, shops) is None


# --- planted defects ----------------------------------------------------------------------------


def caught(shops: TwoShops) -> set[str]:
    """The operations that the test above would fail for; those that change nothing are asked."""
    return {each.id for each in CLOSED if each.method == "get" and leak(each, shops)}


def test_a_token_that_opens_the_wrong_shop_is_caught(
    shops: TwoShops, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "service.api.shops.Shops.shop_of", lambda self, caller, stamp: self.shop(LOCAL_SHOP)
    )
    assert {"readWrench", "listWrenches", "readDrift", "listTokens"} <= caught(shops)


@pytest.mark.sqlite  # on PostgreSQL the rows themselves say whose they are
def test_a_store_that_looks_into_the_first_shop_is_caught(
    shops: TwoShops, monkeypatch: pytest.MonkeyPatch
) -> None:
    row_of = store_module._shop_row
    monkeypatch.setattr(
        store_module,
        "_shop_row",
        lambda connection, _, **how: row_of(connection, LOCAL_SHOP, **how),
    )
    assert {"readWrench", "readCheck", "readPolicy"} - caught(shops) == {"readPolicy"}


@pytest.mark.sqlite  # likewise
@pytest.mark.parametrize(
    ("query", "without_shop", "operation_id"),
    [
        ("service.store.access.Tokens._of_shop", "service.store.access._TOKENS", "readToken"),
        ("service.store.bookings.Bookings._rows", None, "readBooking"),
    ],
)
def test_a_query_without_its_shop_is_caught(
    shops: TwoShops,
    monkeypatch: pytest.MonkeyPatch,
    query: str,
    without_shop: str | None,
    operation_id: str,
) -> None:
    from sqlalchemy import select

    from service.store.access import _TOKENS
    from service.store.booking_tables import BookingRow

    rows = _TOKENS if without_shop else select(BookingRow.__table__)
    monkeypatch.setattr(query, lambda self: rows)
    assert operation_id in caught(shops)
