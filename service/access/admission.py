"""From what a caller holds to who the caller is; the one place where a credential is believed."""

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final, Protocol

from service.access.caller import Caller, TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.records import AccessToken, SignIn

if TYPE_CHECKING:
    from service.store import ShopStore, Store

SESSION_LIFE: Final = timedelta(hours=12)  # a shift, and what comes before and after it
LINK_LIFE: Final = timedelta(minutes=30)


class NotAdmitted(Exception):  # noqa: N818 - an answer about a caller
    """No credential, or none that opens anything; `tried` tells whether one came at all."""

    def __init__(self, because: str, *, tried: bool = True) -> None:
        super().__init__(because)
        self.tried = tried


class ScopeTooSmall(Exception):  # noqa: N818 - an answer about a caller
    """The caller is known, and may not do this."""

    def __init__(self, caller: Caller, needed: TokenScope) -> None:
        super().__init__(
            f"this needs a token of scope {needed}, and {caller.token_name!r} has {caller.scope}"
        )
        self.needed = needed
        self.held = caller.scope


class KnowsTokens(Protocol):
    """A store, or what has read it."""

    def access_token(self, token_id: str) -> AccessToken | None:
        """The token with this id, of whichever shop."""


def by_token(store: KnowsTokens, text: str, now: datetime) -> AccessToken:
    """The token with this secret; raises NotAdmitted.

    What is wrong with a token is told only to whoever holds its secret.
    """
    secret = Credential.parse(text)
    if secret is None or secret.kind is not CredentialKind.TOKEN:
        raise NotAdmitted("what came is not of the form of a token")
    token = store.access_token(secret.id)
    if token is None or not secret.matches(token.digest):
        raise NotAdmitted("this token is not known here")
    if token.revoked_at is not None:
        raise NotAdmitted(f"this token was revoked on {token.revoked_at:%Y-%m-%d}")
    if token.expires_at <= now:
        raise NotAdmitted(f"this token expired on {token.expires_at:%Y-%m-%d}")
    return token


def by_session(store: "Store", text: str, now: datetime) -> SignIn:
    """The session with this secret; raises NotAdmitted."""
    return _sign_in(store, text, CredentialKind.SESSION, now, "this session is over; sign in again")


def open_session(store: "Store", text: str, now: datetime) -> tuple[SignIn, Credential]:
    """A new session for whoever brings a token, or a link that nobody has used; with its secret.

    Raises NotAdmitted.
    """
    secret = Credential.parse(text)
    link = None
    if secret is not None and secret.kind is CredentialKind.LINK:
        over = "this link was used already, or has run out"
        link = _sign_in(store, text, CredentialKind.LINK, now, over)
    token = link.token if link else by_token(store, text, now)
    with store.write(token.shop) as records:
        records.sign_ins.forget_before(now)
        if link is not None and not records.sign_ins.end(link.id, now):
            raise NotAdmitted("this link was used already")  # by another, a moment ago
        return _opened(records, token, CredentialKind.SESSION, now, SESSION_LIFE)


def make_link(store: "Store", token: AccessToken, now: datetime) -> Credential:
    """A secret that opens one session on this token, once and soon."""
    with store.write(token.shop) as records:
        return _opened(records, token, CredentialKind.LINK, now, LINK_LIFE)[1]


def _sign_in(store: "Store", text: str, kind: CredentialKind, now: datetime, over: str) -> SignIn:
    secret = Credential.parse(text)
    if secret is None or secret.kind is not kind:
        raise NotAdmitted(over)
    found = store.sign_in(secret.id)
    if found is None or found.kind is not kind or not secret.matches(found.digest):
        raise NotAdmitted(over)
    if found.is_over(now):
        raise NotAdmitted(over)
    return found


def _opened(
    records: "ShopStore", token: AccessToken, kind: CredentialKind, now: datetime, life: timedelta
) -> tuple[SignIn, Credential]:
    secret = Credential.draw(kind)
    sign_in = SignIn(
        id=secret.id,
        kind=kind,
        token=token,
        digest=secret.digest,
        made_at=now,
        expires_at=min(now + life, token.expires_at),
    )
    records.sign_ins.add(sign_in)
    return sign_in, secret
