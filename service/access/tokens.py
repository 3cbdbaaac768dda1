"""Tokens made and ended, under rules that hold whichever road asks."""

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from service.access.caller import Caller, TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.records import AccessToken
from service.findings import Finding, Refused

if TYPE_CHECKING:
    from service.store import ShopStore

USUAL_DAYS: Final = 90
MOST_DAYS: Final = 366
# `last_used_at` is written when it is older than this.
USE_NOTED_AFTER: Final = timedelta(minutes=5)


def make_token(
    records: "ShopStore",
    *,
    name: str,
    scope: TokenScope,
    days: int = USUAL_DAYS,
    by: Caller | None,
    now: datetime,
) -> tuple[AccessToken, Credential]:
    """The token as stored, and its secret, which is not kept anywhere.

    by   who makes it; None: a command on the machine

    Raises Refused for a life beyond MOST_DAYS, and for a scope beyond that of who makes it.
    """
    findings = []
    if not 1 <= days <= MOST_DAYS:
        findings.append(
            Finding(
                field="/days",
                detail=f"a token of {days} days is not made here",
                remedy=f"ask for 1 to {MOST_DAYS} days, and make a new one before it ends",
            )
        )
    if by is not None and not by.scope.includes(scope):
        findings.append(
            Finding(
                field="/scope",
                detail=f"a token of scope {by.scope} makes none of scope {scope}",
                remedy=f"ask for at most {by.scope}",
            )
        )
    if findings:
        raise Refused(findings)
    secret = Credential.draw(CredentialKind.TOKEN)
    token = AccessToken(
        id=secret.id,
        shop=records.key,
        name=name,
        scope=scope,
        digest=secret.digest,
        made_at=now,
        expires_at=now + timedelta(days=days),
        made_by=by.token_id if by else None,
    )
    return records.tokens.add(token), secret


def use_is_news(token: AccessToken, now: datetime) -> bool:
    """Whether `last_used_at` is to be written."""
    return token.last_used_at is None or now - token.last_used_at >= USE_NOTED_AFTER
