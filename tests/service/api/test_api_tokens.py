"""Tokens over HTTP: the secret once, in no other answer, and in nothing that is stored."""

from pathlib import Path
from typing import Any

import pytest
from calling import bearer, visiting
from litestar.testing import TestClient
from sample_bodies import assert_problem, fields, key
from sample_records import NOW

from service.access.caller import TokenScope
from service.app import create_app
from service.clock import PinnedClock

BENCH = {"name": "bench 2", "scope": "bench", "days": 30}


def using(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


def test_a_token_made_here_opens_this_shop_until_it_is_revoked(client: TestClient[Any]) -> None:
    made = client.post("/v1/tokens", json=BENCH)
    assert made.status_code == 201
    assert made.headers["cache-control"] == "no-store"
    assert made.json()["expires_at"] == "2026-06-03T12:00:00Z"
    secret, place = made.json()["secret"], made.headers["location"]
    assert client.get("/v1/wrenches/TW-1", headers=using(secret)).status_code == 200

    ended = client.post(f"{place}/revoke")
    assert ended.json()["in_words"] == (
        "bench 2: may ask, and record checks, work and bookings until it was revoked on 2026-05-04."
    )
    refused = client.get("/v1/wrenches/TW-1", headers=using(secret))
    assert "was revoked" in assert_problem(refused, "not-admitted")["detail"]
    assert client.post(f"{place}/revoke").json() == ended.json()


def test_a_repeated_request_makes_one_token_and_shows_its_secret_no_more(
    client: TestClient[Any], shops: Any
) -> None:
    first = client.post("/v1/tokens", json=BENCH, headers=key())
    again = client.post("/v1/tokens", json=BENCH, headers=key())
    assert again.status_code == 201
    assert again.headers["idempotency-replayed"] == "true"
    assert again.headers["cache-control"] == "no-store"
    assert again.json() == first.json() | {"secret": None}
    names = [each["name"] for each in client.get("/v1/tokens").json()["items"]]
    assert names == ["bench 2", "test, manage"]


@pytest.mark.sqlite
def test_no_secret_is_in_the_store(client: TestClient[Any], shops: Any) -> None:
    made = client.post("/v1/tokens", json=BENCH, headers=key())
    secret = made.json()["secret"].encode()
    files = list(Path(shops.store.path).parent.iterdir())
    stored = b"".join(each.read_bytes() for each in files)
    assert made.json()["id"].encode() in stored
    assert secret not in stored
    assert secret.split(b"_", 2)[2] not in stored


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"days": 367}, "/days"),
        ({"days": 0}, "/days"),
        ({"scope": "all"}, "/scope"),
        ({"name": ""}, "/name"),
        ({"shop": "annex"}, "/shop"),
    ],
)
def test_what_is_no_token_is_refused(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    answer = client.post("/v1/tokens", json=BENCH | changes)
    assert fields(assert_problem(answer, "invalid-request")) == [field]


def test_who_may_not_manage_sees_no_token_and_makes_none(
    client: TestClient[Any], shops: Any
) -> None:
    headers = bearer(shops.store, shops.key, TokenScope.BENCH)
    for answer in (
        client.get("/v1/tokens", headers=headers),
        client.post("/v1/tokens", json=BENCH, headers=headers),
        client.post("/v1/tokens/0123456789ab/revoke", headers=headers),
    ):
        assert_problem(answer, "scope-too-small")


def test_tokens_are_paged_the_newest_first(client: TestClient[Any]) -> None:
    for name in ("one", "two", "three"):
        client.post("/v1/tokens", json=BENCH | {"name": name}).raise_for_status()
    names, query = [], {"limit": 2}
    while True:
        page = client.get("/v1/tokens", params=query).json()
        names += [each["name"] for each in page["items"]]
        if page["next_cursor"] is None:
            break
        query = {"limit": 2, "cursor": page["next_cursor"]}
    assert names == ["three", "two", "one", "test, manage"]


# --- how often, and how a body may come ---------------------------------------------------------


def test_a_token_that_is_used_too_often_waits_and_others_do_not(
    shops: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WRENCH_DRIFT_REQUESTS_PER_MINUTE", "3")
    busy, other = shops.open_next(), bearer(shops.store, shops.key)
    client = visiting(create_app(store=shops.store, clock=PinnedClock(NOW)))
    answers = [client.get("/v1/policy", headers=busy) for _ in range(4)]
    assert [each.status_code for each in answers] == [200, 200, 200, 429]
    assert_problem(answers[3], "too-many-requests")
    assert 1 <= int(answers[3].headers["retry-after"]) <= 20
    assert client.get("/v1/policy", headers=other).status_code == 200


def test_guessing_is_slowed_and_locks_nobody_out(
    shops: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty a minute from one address, by header or at the door; a good token still opens."""
    headers = shops.open_next()
    client = visiting(create_app(store=shops.store, clock=PinnedClock(NOW)))
    guesses = [client.get("/v1/policy", headers=using("guess")).status_code for _ in range(15)]
    guesses += [client.post("/sign-in", data={"secret": "guess"}).status_code for _ in range(7)]
    assert guesses == [401] * 20 + [429] * 2
    assert client.get("/v1/policy", headers=headers).status_code == 200
    assert client.get("/v1/policy").status_code == 401  # nothing was tried


@pytest.mark.parametrize("encoding", ["gzip", "br", "deflate", "zstd", "gzip, gzip", "x"])
def test_a_compressed_body_is_refused_unread(client: TestClient[Any], encoding: str) -> None:
    headers = {"Content-Encoding": encoding, "Content-Type": "application/json"}
    answer = client.post("/v1/wrenches", content=b"\x1f\x8b...", headers=headers)
    problem = assert_problem(answer, "unsupported-media-type")
    assert fields(problem) == ["header:Content-Encoding"]
    assert answer.headers["accept-encoding"] == "identity"


def test_a_body_that_says_it_is_plain_is_read(client: TestClient[Any]) -> None:
    headers = {"Content-Encoding": "identity"}
    assert client.post("/v1/tokens", json=BENCH, headers=headers).status_code == 201
