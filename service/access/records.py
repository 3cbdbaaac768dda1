"""What the store keeps of access: tokens, and the sign-ins that rest on them."""

from dataclasses import dataclass
from datetime import datetime

from service.access.caller import TokenScope
from service.access.credentials import CredentialKind


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessToken:
    """A token without its secret.

    shop          key of the one shop it opens
    digest        SHA-256 of the secret
    made_by       id of the token that made it; None: a command on the machine
    last_used_at  written sparingly, so late by some minutes
    """

    id: str
    shop: str
    name: str
    scope: TokenScope
    digest: str
    made_at: datetime
    expires_at: datetime
    made_by: str | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None
    number: int = 0  # counts up over the shop; given by the store

    def ended_at(self, now: datetime) -> datetime | None:
        """When it ceased to open anything; None: it still does."""
        ends = [end for end in (self.revoked_at, self.expires_at) if end is not None and end <= now]
        return min(ends, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """A session of the pages, or a link that opens one; never outlives the token it rests on.

    ended_at   when a link was used, or a session signed out
    """

    id: str
    kind: CredentialKind
    token: AccessToken
    digest: str
    made_at: datetime
    expires_at: datetime
    ended_at: datetime | None = None

    def is_over(self, now: datetime) -> bool:
        return (
            self.ended_at is not None
            or self.expires_at <= now
            or self.token.ended_at(now) is not None
        )
