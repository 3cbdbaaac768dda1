"""Access tokens over HTTP: the secret once, and everything else of them."""

from datetime import datetime
from typing import Self

from pydantic import Field

from service.access.caller import TokenScope
from service.access.credentials import Credential
from service.access.records import AccessToken
from service.access.tokens import MOST_DAYS, USUAL_DAYS
from service.schemas.base import Answer, Input, Line, UtcInstant


class TokenInput(Input):
    """A token to be made for the shop of the token that asks."""

    name: Line = Field(description="What it is for, such as the bench or the program.")
    scope: TokenScope = Field(description="At most that of the token that asks.")
    days: int = Field(
        default=USUAL_DAYS, ge=1, le=MOST_DAYS, description="How long it opens the shop."
    )


class TokenAnswer(Answer):
    """A token, without its secret."""

    id: str
    in_words: str
    name: str
    scope: TokenScope
    made_at: UtcInstant
    made_by: str | None = Field(
        description="The token that made it; null for a command on the machine."
    )
    expires_at: UtcInstant
    revoked_at: UtcInstant | None
    last_used_at: UtcInstant | None = Field(description="Late by up to five minutes.")

    @classmethod
    def of(cls, token: AccessToken, now: datetime, **more: str | None) -> Self:
        return cls(
            id=token.id,
            in_words=_in_words(token, now),
            name=token.name,
            scope=token.scope,
            made_at=token.made_at,
            made_by=token.made_by,
            expires_at=token.expires_at,
            revoked_at=token.revoked_at,
            last_used_at=token.last_used_at,
            **more,
        )


class MadeTokenAnswer(TokenAnswer):
    """A token that was just made."""

    secret: str | None = Field(
        description="What to send after `Bearer`. Shown this once: null when the same request comes"
        " again under its key, since only a digest is kept."
    )

    @classmethod
    def shown(cls, token: AccessToken, secret: Credential, now: datetime) -> Self:
        return cls.of(token, now, secret=secret.text)

    @classmethod
    def kept(cls, token: AccessToken, now: datetime) -> Self:
        """What a repeated request is answered with."""
        return cls.of(token, now, secret=None)


class TokenPage(Answer):
    """Tokens, the one made last first; those that opened the shop once are among them."""

    items: tuple[TokenAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")


def _in_words(token: AccessToken, now: datetime) -> str:
    scope = f"{token.name}: {_MAY[token.scope]}"
    if token.revoked_at is not None:
        return f"{scope} until it was revoked on {token.revoked_at:%Y-%m-%d}."
    if token.expires_at <= now:
        return f"{scope} until it expired on {token.expires_at:%Y-%m-%d}."
    return f"{scope} until {token.expires_at:%Y-%m-%d}."


_MAY = {
    TokenScope.READ: "may ask",
    TokenScope.BENCH: "may ask, and record checks, work and bookings",
    TokenScope.MANAGE: "may do everything in this shop",
}
