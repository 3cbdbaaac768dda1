"""Every kind of problem: provoked, shaped as promised, and documented."""

import re
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from calling import UNKNOWN, signed_in, visiting
from httpx import Response
from litestar.testing import TestClient
from sample_bodies import (
    CHECKS,
    a_check_body,
    a_point,
    a_wrench_body,
    assert_problem,
    key,
)
from sample_records import NOW

from service.access.caller import TokenScope
from service.access.rates import TooMany
from service.api.problem_kinds import KINDS
from service.api.sending import BodyTooSlow
from service.app import create_app
from service.clock import PinnedClock
from service.store import (
    LOCAL_SHOP,
    Store,
    StoreBusy,
    StoreFull,
    StoreOutOfReach,
    StoreUnusable,
)

Provocation = Callable[[TestClient[Any]], Response]


class OtherwiseStore:
    """A store that fails in a way that a real one would take seconds or a broken disk for."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def stamp(self) -> None:
        return None

    def access_token(self, token_id: str) -> Any:
        raise self.error

    def token_row(self, token_id: str) -> Any:
        raise self.error

    def require_ready(self) -> None:
        raise self.error


def over(error: Exception, path: str = "/v1/wrenches") -> Provocation:
    """Ask a service whose store raises this."""

    def ask(_: TestClient[Any]) -> Response:
        store: Any = OtherwiseStore(error)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with visiting(app) as client:
            return client.get(path, headers=UNKNOWN)

    return ask


def reused_key(client: TestClient[Any]) -> Response:
    client.post("/v1/wrenches", json=a_wrench_body(), headers=key())
    return client.post("/v1/wrenches", json=a_wrench_body(drive="1 in"), headers=key())


def voided_twice(client: TestClient[Any]) -> Response:
    place = client.post(CHECKS, json=a_check_body(), headers=key()).headers["location"]
    client.post(f"{place}/void", json={"reason": "wrong tester"})
    return client.post(f"{place}/void", json={"reason": "wrong tester"})


def released_against_its_checks(client: TestClient[Any]) -> Response:
    failed = a_check_body(points=[a_point(20, (19, 19.1, 19))])
    client.post(CHECKS, json=failed, headers=key()).raise_for_status()
    return client.patch(
        "/v1/wrenches/TW-1",
        json={"service": {"status": "in_service", "reason": "looks fine"}},
        headers={"If-Match": "*"},
    )


def patched(**headers: str) -> Provocation:
    return lambda client: client.patch("/v1/wrenches/TW-1", json={}, headers=headers)


def by_a_reader(client: TestClient[Any]) -> Response:
    """A token that may read, of a store of its own, asks for a change."""
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "x.db", migrate=True) as store:
        app = create_app(store=store, clock=PinnedClock(NOW))
        with signed_in(app, store, scope=TokenScope.READ) as reader:
            return reader.post("/v1/wrenches", json=a_wrench_body())


PROVOCATIONS: dict[str, Provocation] = {
    "bad-request": lambda client: client.get("/v1/wrenches", headers={"Host": "a b"}),
    "malformed-body": lambda client: client.post("/v1/wrenches"),
    "idempotency-key-missing": lambda client: client.post(CHECKS, json=a_check_body()),
    "cross-site-request": lambda client: client.post(
        CHECKS, json=a_check_body(), headers=key() | {"Sec-Fetch-Site": "cross-site"}
    ),
    "no-such-path": lambda client: client.get("/v2/wrenches"),
    "unknown-record": lambda client: client.get("/v1/wrenches/TW-9"),
    "not-acceptable": lambda client: client.get(
        "/v1/range-study/charts/scatter", headers={"Accept": "application/pdf"}
    ),
    "method-not-allowed": lambda client: client.delete("/v1/wrenches/TW-1"),
    "duplicate-record": lambda client: client.post(
        "/v1/wrenches", json=a_wrench_body(serial="TW-1")
    ),
    "already-voided": voided_twice,
    "in-quarantine": released_against_its_checks,
    "stale-version": patched(**{"If-Match": '"v7"'}),
    "body-too-large": lambda client: client.post("/v1/wrenches", json={"serial": "T" * 300_000}),
    "unsupported-media-type": lambda client: client.post(
        "/v1/wrenches", content="{}", headers={"Content-Type": "text/plain"}
    ),
    "not-admitted": lambda client: client.get("/v1/wrenches", headers=UNKNOWN),
    "unknown-host": lambda client: client.get("/v1/wrenches", headers={"Host": "other.example"}),
    "scope-too-small": by_a_reader,
    "too-many-requests": over(TooMany("this token was used too often", 3)),
    "body-too-slow": over(BodyTooSlow(60)),
    "invalid-request": lambda client: client.post("/v1/wrenches", json={}),
    "refused": lambda client: client.post(CHECKS, json=a_check_body(tester="TB-9"), headers=key()),
    "idempotency-key-reused": reused_key,
    "outside-range": lambda client: client.get(
        "/v1/wrenches/TW-1/risk", params={"torque": "150", "unit": "N.m"}
    ),
    "version-required": patched(),
    "internal-error": over(RuntimeError("the disk speaks in tongues")),
    "store-busy": over(StoreBusy(10)),
    "store-out-of-reach": over(StoreOutOfReach("the store cannot be found")),
    "store-full": over(StoreFull(Path("shop.db"))),
    "not-ready": over(StoreUnusable("there is no store"), "/health/ready"),
}


@pytest.mark.parametrize("slug", KINDS)
def test_each_kind_of_problem_is_provoked_and_documented(
    client: TestClient[Any], slug: str
) -> None:
    response = PROVOCATIONS[slug](client)
    problem = assert_problem(response, slug)
    assert problem["status"] == KINDS[slug].status
    assert problem["title"] == KINDS[slug].title

    page = client.get(problem["type"])
    assert page.status_code == 200
    assert page.headers["content-type"].startswith("text/html")
    assert f"<h1>{KINDS[slug].title}</h1>" in page.text
    assert str(KINDS[slug].status) in page.text
    assert "What to do" in page.text


def test_the_list_of_problems_leads_to_each(client: TestClient[Any]) -> None:
    page = client.get("/problems")
    assert re.findall(r'href="/problems/([^"]+)"', page.text) == list(KINDS)


def test_an_unknown_kind_of_problem_is_not_there(client: TestClient[Any]) -> None:
    assert_problem(client.get("/problems/bad-luck"), "no-such-path")


def test_a_defect_does_not_tell_its_secrets(
    client: TestClient[Any], caplog: pytest.LogCaptureFixture
) -> None:
    """The log has the exception; the answer does not."""
    response = PROVOCATIONS["internal-error"](client)
    assert "tongues" not in response.text
    assert "tongues" in caplog.text


@pytest.mark.parametrize("slug", ["store-busy", "store-out-of-reach"])
def test_what_passes_says_when_to_come_again(client: TestClient[Any], slug: str) -> None:
    assert int(PROVOCATIONS[slug](client).headers["retry-after"]) > 0


def test_allow_names_the_methods(client: TestClient[Any]) -> None:
    response = client.put("/v1/wrenches/TW-1")
    assert response.headers["allow"] == "GET, HEAD, OPTIONS, PATCH"


@pytest.mark.parametrize(
    "path", ["/v1/wrenches/TW-1", "/v1/policy", "/health/live", "/health/ready", "/schema"]
)
def test_head_is_get_without_its_body(client: TestClient[Any], path: str) -> None:
    named = {"X-Request-Id": "one-and-the-same"}
    get, head = client.get(path, headers=named), client.head(path, headers=named)
    assert head.status_code == get.status_code == 200
    assert head.content == b""
    assert head.headers == get.headers


def test_options_names_every_method_of_its_path(client: TestClient[Any]) -> None:
    response = client.options("/v1/wrenches")
    assert response.status_code == 204
    assert response.headers["allow"] == "GET, HEAD, OPTIONS, POST"
    assert_problem(client.options("/v2"), "no-such-path")


def test_another_shop_sees_none_of_this(client: TestClient[Any], shops: Any) -> None:
    """One service serves one shop: serials of another are unknown to it."""
    client.post(CHECKS, json=a_check_body(), headers=key())
    shops.store.add_shop("next door")
    app = create_app(store=shops.store, shop="next door", clock=PinnedClock(NOW))
    with signed_in(app, shops.store, "next door") as other:
        assert other.get("/v1/wrenches").json()["items"] == []
        assert other.get("/v1/testers").json()["items"] == []
        assert_problem(other.get("/v1/wrenches/TW-1"), "unknown-record")
        assert_problem(other.get(CHECKS), "unknown-record")
        assert other.post("/v1/wrenches", json=a_wrench_body(), headers=key()).status_code == 201
