"""Clients of the service under test: one that holds a token, and one that holds nothing.

Tests of other things than access begin with `signed_in` and need not speak of it again.
"""

from datetime import UTC, datetime
from typing import Any, Final

from litestar.testing import TestClient

from service.access.caller import TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.records import AccessToken
from service.store import LOCAL_SHOP, Store

# An address, which the service goes by wherever it runs.
OWN_HOST: Final = "127.0.0.1"
# Of the right form, and nobody's.
UNKNOWN: Final = {"Authorization": f"Bearer wdt_{12 * '0'}_{43 * 'A'}"}
_NEVER: Final = datetime(2100, 1, 1, tzinfo=UTC)  # beyond every clock of a test


def bearer(
    store: Store, shop: str = LOCAL_SHOP, scope: TokenScope = TokenScope.MANAGE
) -> dict[str, str]:
    """The header of a new token of the shop, which does not expire."""
    secret = Credential.draw(CredentialKind.TOKEN)
    token = AccessToken(
        id=secret.id,
        shop=shop,
        name=f"test, {scope}",
        scope=scope,
        digest=secret.digest,
        made_at=datetime(2026, 1, 1, tzinfo=UTC),
        expires_at=_NEVER,
    )
    with store.write(shop) as records:
        records.tokens.add(token)
    return {"Authorization": f"Bearer {secret.text}"}


def visiting(app: Any) -> TestClient[Any]:
    """A client without a token; it is answered with a problem when the service fails."""
    return TestClient(app, base_url=f"http://{OWN_HOST}", raise_server_exceptions=False)


def signed_in(
    app: Any, store: Store, shop: str = LOCAL_SHOP, scope: TokenScope = TokenScope.MANAGE
) -> TestClient[Any]:
    """A client with a token of the shop."""
    client = visiting(app)
    client.headers.update(bearer(store, shop, scope))
    return client
