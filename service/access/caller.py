"""Who asks, as the service has established it."""

from dataclasses import dataclass
from enum import StrEnum


class TokenScope(StrEnum):
    """What a token may do; each holds what stands before it.

    read     every GET, and questions that are asked by POST and store nothing
    bench    what a bench does all day: checks, angle checks, recorded work, bookings
    manage   everything else: wrenches, testers, policy, voids, tokens
    """

    READ = "read"
    BENCH = "bench"
    MANAGE = "manage"

    def includes(self, other: "TokenScope") -> bool:
        order = list(TokenScope)
        return order.index(self) >= order.index(other)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """The holder of a token, for one request.

    shop        key of the shop that the token belongs to
    token_id    public part of the token
    token_name  what the shop calls it
    address     of the client, as far as the proxies in between are trusted; empty: not known
    session     id of the session of the pages by which the token came; None: it came itself
    person      who says to act; the one field that nobody has verified
    """

    shop: str
    token_id: str
    token_name: str
    scope: TokenScope
    address: str
    session: str | None = None
    person: str | None = None
