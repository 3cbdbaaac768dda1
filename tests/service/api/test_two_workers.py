"""Two services on one store: nothing that one keeps in memory does the other need."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calling import bearer, visiting
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_policy_body, a_wrench_body, key
from sample_records import NOW, a_tester, a_wrench

from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

Clients = tuple[TestClient[Any], TestClient[Any]]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("workers") / "shop.db"


@pytest.fixture(scope="module")
def clients(place: Path) -> Iterator[Clients]:
    """Each with a store object, connections and caches of its own."""
    with Store.open(place, migrate=True) as here, Store.open(place) as there:
        with here.write(LOCAL_SHOP) as shop:
            shop.wrenches.add(a_wrench())
            shop.testers.add(a_tester())
        headers = bearer(here)
        with (
            visiting(create_app(store=here, clock=PinnedClock(NOW))) as first,
            visiting(create_app(store=there, clock=PinnedClock(NOW))) as second,
        ):
            first.headers.update(headers)
            second.headers.update(headers)
            yield first, second


def test_an_analysis_follows_at_once_what_the_other_recorded(clients: Clients) -> None:
    first, second = clients
    asked = "/v1/wrenches/TW-1/due"
    before = second.get(asked)
    assert first.post(CHECKS, json=a_check_body(), headers=key("k1")).status_code == 201
    after = second.get(asked, headers={"If-None-Match": before.headers["ETag"]})
    assert after.status_code == 200
    assert after.json() == first.get(asked).json()
    assert after.headers["ETag"] == first.get(asked).headers["ETag"]


def test_a_policy_counts_for_both_at_once(clients: Clients) -> None:
    first, second = clients
    tag = second.get("/v1/policy").headers["ETag"]
    changed = first.put("/v1/policy", json=a_policy_body(), headers={"If-Match": tag})
    assert changed.status_code == 200
    assert second.get("/v1/policy").json() == changed.json()
    stale = second.put("/v1/policy", json=a_policy_body(), headers={"If-Match": tag})
    assert stale.status_code == 412


def test_a_key_that_one_answered_is_answered_alike_by_the_other(clients: Clients) -> None:
    first, second = clients
    sent = {"json": a_check_body(performed_at="2026-05-03T08:10:00Z"), "headers": key("k2")}
    answer, again = first.post(CHECKS, **sent), second.post(CHECKS, **sent)
    assert (answer.status_code, again.status_code) == (201, 201)
    assert again.content == answer.content
    assert again.headers["Idempotency-Replayed"] == "true"


def test_pages_that_one_began_the_other_continues(clients: Clients) -> None:
    first, second = clients
    for number in range(3, 6):
        body = a_wrench_body(serial=f"TW-{number}")
        assert first.post("/v1/wrenches", json=body, headers=key(f"w{number}")).is_success
    page = first.get("/v1/wrenches", params={"limit": 2}).json()
    rest = second.get("/v1/wrenches", params={"limit": 9, "cursor": page["next_cursor"]}).json()
    serials = [wrench["serial"] for wrench in (*page["items"], *rest["items"])]
    assert serials == ["TW-1", "TW-3", "TW-4", "TW-5"]


def test_a_token_that_one_revoked_opens_nothing_at_the_other(place: Path, clients: Clients) -> None:
    _, second = clients
    with Store.open(place) as elsewhere:
        headers = bearer(elsewhere)
        assert second.get("/v1/wrenches", headers=headers).status_code == 200
        with elsewhere.write(LOCAL_SHOP) as shop:
            shop.tokens.revoke(shop.tokens.list()[0].id, NOW)
        assert second.get("/v1/wrenches", headers=headers).status_code == 401
