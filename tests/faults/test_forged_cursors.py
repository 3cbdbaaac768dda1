"""A cursor is opaque and not signed: it holds the key that the page before ended with, no more.

The shop comes from the caller's token and never from a cursor, so that a forged one can at worst
begin a list of the caller's own records elsewhere, which the caller may read anyway. A signature
would keep nothing from anybody; what has to hold is that no forgery opens another shop, fails the
service or is taken for the end of a list in silence.
"""

import base64
import dataclasses
from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from litestar.testing import TestClient
from requests_sent import NOW, TESTER, Ledger, open_shop
from sqlalchemy import select

from service.api.paging import cursor_after
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store
from service.store.checks import Checks
from service.store.tables import CheckRow

LISTS = {
    "/v1/wrenches": "wrenches",
    "/v1/testers": "testers",
    "/v1/wrenches/FT-00/checks": "checks",
    "/v1/wrenches/FT-00/pulls": "pulls",
    "/v1/wrenches/FT-00/angle-checks": "angle-checks",
    "/v1/wrenches/FT-00/events": "events",
    "/v1/schedule/bookings": "bookings",
}
NEXT_DOOR = "next door"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Two shops with wrenches of the same serials, each with checks."""
    with Store.open(tmp_path_factory.mktemp("cursors") / "shop.db", migrate=True) as store:
        store.add_shop(NEXT_DOOR)
        for shop in (LOCAL_SHOP, NEXT_DOOR):
            with caller(store, shop) as client:
                open_shop(client)  # type: ignore[arg-type]
                ledger = Ledger()
                if shop == NEXT_DOOR:
                    ledger.file(7)  # so that its checks are others
                ledger.file(96).send(client).raise_for_status()  # type: ignore[arg-type]
        yield store


def caller(store: Store, shop: str) -> TestClient[Any]:
    return signed_in(create_app(store=store, shop=shop, clock=PinnedClock(NOW)), store, shop)


@pytest.fixture(scope="module")
def local(store: Store) -> Iterator[TestClient[Any]]:
    with caller(store, LOCAL_SHOP) as client:
        yield client


def checks_of(store: Store, shop: str) -> set[str]:
    with store.read(shop) as records:
        return {check.id for check in records.checks.every()}


def forged(local: TestClient[Any], path: str, cursor: str) -> dict[str, Any]:
    """The answer to a forged cursor, once it was found to be one of the two that there may be."""
    response = local.get(path, params={"cursor": cursor, "limit": 5})
    told: dict[str, Any] = response.json()
    if response.status_code == 200:
        return told
    assert response.status_code in {404, 422}, told
    assert told["errors"][0]["remedy"]
    return told


def test_a_list_is_walked_with_its_own_cursors(local: TestClient[Any], store: Store) -> None:
    seen: list[str] = []
    cursor = None
    while True:
        page = local.get(
            "/v1/wrenches/FT-00/checks",
            params={"limit": 2} | ({"cursor": cursor} if cursor else {}),
        ).json()
        seen += [check["id"] for check in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert len(seen) == len(set(seen)) == 3
    assert set(seen) <= checks_of(store, LOCAL_SHOP)


@pytest.mark.parametrize(("path", "resource"), LISTS.items())
def test_no_forged_cursor_opens_another_shop_or_fails_the_service(
    local: TestClient[Any], store: Store, long: bool, path: str, resource: str
) -> None:
    theirs = checks_of(store, NEXT_DOOR)
    ours = checks_of(store, LOCAL_SHOP)
    keys = st.one_of(
        st.sampled_from(sorted(theirs | ours)),
        st.text(min_size=1, max_size=60),
        st.integers().map(str),
        st.sampled_from(["'", "%", "FT-00", TESTER, "\x00", "9" * 40, "a" * 5000]),
    )
    cursors = st.one_of(
        keys.map(
            lambda key: (
                base64.urlsafe_b64encode(f"{resource}:{key}".encode("utf-8", "surrogatepass"))
                .rstrip(b"=")
                .decode()
            )
        ),
        st.tuples(st.sampled_from(sorted(LISTS.values())), keys).map(
            lambda pair: base64.urlsafe_b64encode(
                ":".join(pair).encode("utf-8", "surrogatepass")
            ).decode()
        ),
        st.text(max_size=80),
        st.binary(max_size=80).map(lambda raw: base64.urlsafe_b64encode(raw).decode()),
    )

    @settings(
        max_examples=2_000 if long else 60,
        deadline=None,
        database=None,
        derandomize=not long,
        suppress_health_check=list(HealthCheck),
    )
    @given(cursor=cursors)
    def whatever(cursor: str) -> None:
        told = forged(local, path, cursor)
        for item in told.get("items", ()):
            assert item.get("id") not in theirs

    whatever()


def taken_for_a_place(local: TestClient[Any], store: Store) -> int:
    """How many cursors made of another shop's checks were taken for a place in this shop's list."""
    return sum(
        "items" in forged(local, "/v1/wrenches/FT-00/checks", cursor_after("checks", check))
        for check in sorted(checks_of(store, NEXT_DOOR))[:20]
    )


def test_a_cursor_of_another_shop_is_no_place_in_this_one(
    local: TestClient[Any], store: Store
) -> None:
    """Nor does the answer tell whether the other shop has such a check."""
    assert taken_for_a_place(local, store) == 0
    nowhere = "00000000-0000-4000-8000-000000000000"
    theirs = min(checks_of(store, NEXT_DOOR))
    answers = [
        forged(local, "/v1/wrenches/FT-00/checks", cursor_after("checks", check))
        for check in (nowhere, theirs)
    ]
    for answer in answers:
        del answer["request"]  # another one
    assert str(answers[0]).replace(nowhere, "") == str(answers[1]).replace(theirs, "")


@pytest.mark.sqlite  # where a server keeps the store, its row-level security stands in the way too
def test_a_place_looked_up_without_the_shop_is_found(
    local: TestClient[Any], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Planted: the filter by shop is off where a cursor's check is looked up."""
    really = Checks.list

    def of_any_shop(self: Checks, wrench: str, after: str | None, limit: int, **named: Any) -> Any:
        scope = self._scope
        if after is not None:
            shop = select(CheckRow.shop_id).where(CheckRow.id == after)
            scope = dataclasses.replace(scope, shop_id=scope.connection.execute(shop).scalar_one())
        return really(Checks(scope), wrench, after, limit, **named)

    monkeypatch.setattr(Checks, "list", of_any_shop)
    assert taken_for_a_place(local, store) > 0
