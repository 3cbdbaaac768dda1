"""No operation answers without a token that reaches: none, broken, unknown, over, too small.

Made from the description, so that a new operation is held to it as well.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import pytest
from asking import OPERATIONS, OWN, Operation, each, with_story
from calling import UNKNOWN, bearer, signed_in, visiting
from litestar.testing import TestClient
from story import NOW, app_over

from service.access.caller import TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.records import AccessToken
from service.store import LOCAL_SHOP, Store

CLOSED = [operation for operation in OPERATIONS if not operation.is_open]
OPEN = {"isLive", "listProblemKinds", "readProblemKind"}
SMALLER = {
    TokenScope.BENCH: (TokenScope.READ,),
    TokenScope.MANAGE: (TokenScope.READ, TokenScope.BENCH),
}


@dataclass(frozen=True)
class Service:
    """A service over a shop in which the story was told, asked without a token."""

    store: Store
    ids: dict[str, str]
    client: TestClient[Any]

    def version(self) -> object:
        with self.store.read(LOCAL_SHOP) as shop:
            tokens = [(token.id, token.revoked_at) for token in shop.tokens.list(limit=1000)]
            return shop.evidence_version(), shop.pulls_version(), shop.policy.get(), tokens


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with (
        pytest.MonkeyPatch.context() as patch,
        Store.open(tmp_path_factory.mktemp("access") / "shop.db", migrate=True) as store,
    ):
        # Every test comes from one address.
        patch.setattr("service.api.admission.FAILURES_PER_MINUTE", 1_000_000)
        ids = with_story(store)
        with visiting(app_over(store)) as client:
            yield Service(store, ids, client)


def a_token(store: Store, **changes: Any) -> dict[str, str]:
    """The header of a token that may do everything, but for what is changed."""
    secret = Credential.draw(CredentialKind.TOKEN)
    token = AccessToken(
        id=secret.id,
        shop=LOCAL_SHOP,
        name="test",
        scope=TokenScope.MANAGE,
        digest=secret.digest,
        made_at=NOW - timedelta(days=9),
        expires_at=NOW + timedelta(days=9),
    )
    with store.write(LOCAL_SHOP) as records:
        added = records.tokens.add(replace(token, **changes))
        if "revoked_at" in changes:
            records.tokens.revoke(added.id, changes["revoked_at"])
    return {"Authorization": f"Bearer {secret.text}"}


OF_NO_USE: dict[str, Callable[[Store], dict[str, str]]] = {
    "none": lambda _: {},
    "malformed": lambda _: {"Authorization": "Bearer wdt_secret"},
    "another scheme": lambda _: {"Authorization": "Basic d2R0OnNlY3JldA=="},
    "unknown": lambda _: UNKNOWN,
    "expired": lambda store: a_token(store, expires_at=NOW),
    "revoked": lambda store: a_token(store, revoked_at=NOW),
    "an unknown session": lambda _: {"Cookie": f"wrench-drift-session=wds_{12 * '0'}_{43 * 'A'}"},
}


def test_what_is_open_is_open_on_purpose() -> None:
    assert {operation.id for operation in OPERATIONS if operation.is_open} == OPEN


@pytest.mark.parametrize("holds", OF_NO_USE)
@each(CLOSED)
def test_nothing_is_answered_or_stored_without_a_token_that_opens_it(
    service: Service, operation: Operation, holds: str
) -> None:
    headers = OF_NO_USE[holds](service.store)
    before = service.version()
    answer = operation.ask(service.client, service.ids, **headers)
    # A change by cookie is first asked from where it comes.
    change_by_cookie = "Cookie" in headers and operation.method != "get"
    assert answer.status_code == (403 if change_by_cookie else 401), answer.text
    assert not [own for own in OWN if own in answer.text]
    assert service.version() == before


@each([operation for operation in CLOSED if operation.scope != "read"])
def test_a_smaller_scope_than_described_does_not_reach(
    service: Service, operation: Operation
) -> None:
    for scope in SMALLER[TokenScope(operation.scope)]:
        headers = a_token(service.store, scope=scope)
        before = service.version()
        answer = operation.ask(service.client, service.ids, **headers)
        assert answer.status_code == 403
        assert answer.json()["type"] == "/problems/scope-too-small"
        assert f'scope="{operation.scope}"' in answer.headers["www-authenticate"]
        assert not [own for own in OWN if own in answer.text]
        assert service.version() == before


@each([operation for operation in CLOSED if operation.method == "get"])
def test_the_scope_described_reaches(service: Service, operation: Operation) -> None:
    headers = bearer(service.store, scope=TokenScope(operation.scope))
    assert operation.ask(service.client, service.ids, **headers).status_code == 200


def test_a_gate_left_open_is_caught(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: a token whose secret is not compared, and one whose end is not looked at."""
    read = next(operation for operation in CLOSED if operation.id == "readWrench")
    token_id = a_token(service.store)["Authorization"].split("_")[1]
    guessed = {"Authorization": f"Bearer wdt_{token_id}_{43 * 'A'}"}
    expired = a_token(service.store, expires_at=NOW)
    assert read.ask(service.client, service.ids, **guessed).status_code == 401
    with monkeypatch.context() as patch:
        patch.setattr(Credential, "matches", lambda self, digest: True)
        assert read.ask(service.client, service.ids, **guessed).status_code == 200
    with monkeypatch.context() as patch, signed_in(app_over(service.store), service.store) as late:
        patch.setattr("service.clock.PinnedClock.now", lambda self: NOW - timedelta(days=1))
        assert read.ask(late, service.ids, **expired).status_code == 200
