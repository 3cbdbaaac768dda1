"""A request sent again stores once, and a key stands for one request alone."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_wrench_body, assert_problem, key


def test_the_same_request_again_gets_the_same_answer(client: TestClient[Any]) -> None:
    first = client.post(CHECKS, json=a_check_body(), headers=key())
    again = client.post(CHECKS, json=a_check_body(), headers=key())
    assert again.status_code == first.status_code == 201
    assert again.content == first.content
    assert again.headers["idempotency-replayed"] == "true"
    assert "idempotency-replayed" not in first.headers
    for name in ("etag", "location", "cache-control", "content-type"):
        assert again.headers[name] == first.headers[name]
    assert len(client.get(CHECKS).json()["items"]) == 1


@pytest.mark.parametrize("other", ["body", "path"])
def test_a_key_serves_for_one_request(client: TestClient[Any], other: str) -> None:
    client.post(CHECKS, json=a_check_body(), headers=key())
    if other == "body":
        response = client.post(CHECKS, json=a_check_body(operator="bench 3"), headers=key())
    else:
        response = client.post("/v1/wrenches", json=a_wrench_body(), headers=key())
    assert_problem(response, "idempotency-key-reused")
    assert len(client.get(CHECKS).json()["items"]) == 1
    assert len(client.get("/v1/wrenches").json()["items"]) == 1


def test_a_refused_request_may_be_mended_under_its_key(client: TestClient[Any]) -> None:
    assert_problem(client.post(CHECKS, json=a_check_body(tester="TB-9"), headers=key()), "refused")
    assert client.post(CHECKS, json=a_check_body(), headers=key()).status_code == 201


def test_a_check_wants_a_key(client: TestClient[Any]) -> None:
    response = client.post(CHECKS, json=a_check_body())
    problem = assert_problem(response, "idempotency-key-missing")
    assert problem["errors"][0]["field"] == "header:Idempotency-Key"


@pytest.mark.parametrize("value", ["", "with space", "x" * 256])
def test_a_key_is_a_short_token(client: TestClient[Any], value: str) -> None:
    response = client.post(CHECKS, json=a_check_body(), headers=key(value))
    problem = assert_problem(response, "invalid-request")
    assert problem["errors"][0]["field"] == "header:Idempotency-Key"


def test_the_answer_is_kept_in_the_transaction_of_its_effect(
    client: TestClient[Any], shops: Any
) -> None:
    """When the answer cannot be kept, the check is not stored either."""
    with shops.store.read(shops.key) as shop:
        assert shop.idempotency.find("key-1") is None
    client.post(CHECKS, json=a_check_body(), headers=key())
    with shops.store.read(shops.key) as shop:
        kept = shop.idempotency.find("key-1")
        assert kept is not None
        assert kept.status == 201
        assert [check.id.encode() in kept.body for check in shop.checks.list("TW-1")] == [True]


def test_registering_and_voiding_store_once_too(client: TestClient[Any]) -> None:
    first = client.post("/v1/wrenches", json=a_wrench_body(), headers=key("w"))
    again = client.post("/v1/wrenches", json=a_wrench_body(), headers=key("w"))
    assert (again.status_code, again.content) == (201, first.content)

    place = client.post(CHECKS, json=a_check_body(), headers=key("c")).headers["location"]
    void = {"reason": "wrong tester"}
    first = client.post(f"{place}/void", json=void, headers=key("v"))
    again = client.post(f"{place}/void", json=void, headers=key("v"))
    assert (again.status_code, again.content) == (200, first.content)


def test_one_request_sent_many_times_at_once_stores_once(client: TestClient[Any]) -> None:
    """Eight callers with one key, and eight with a key each: one check in either case."""

    def post(value: str) -> Any:
        return client.post(CHECKS, json=a_check_body(), headers=key(value))

    with ThreadPoolExecutor(8) as callers:
        same = list(callers.map(post, ["same"] * 8))
        others = list(callers.map(post, [f"other-{number}" for number in range(8)]))
    assert {response.status_code for response in same} == {201}
    assert len({response.content for response in same}) == 1
    replayed = ["idempotency-replayed" in response.headers for response in same]
    assert sorted(replayed) == [False] + [True] * 7
    assert {response.status_code for response in others} == {409}
    assert len(client.get(CHECKS).json()["items"]) == 1
