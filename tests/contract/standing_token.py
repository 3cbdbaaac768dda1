"""A caller that loses its token now and then, and goes on with another.

A chain of requests may revoke the very token that it is asked with. What follows would be refused,
rightly, and nothing more would be found out: so each time a new token takes the place of the old.
"""

from typing import Any

from calling import bearer

from service.access.admission import NotAdmitted, by_token
from service.clock import PinnedClock
from service.store import Store

_HEADER = b"authorization"


class StandingToken:
    """
    sent      what every request carries, all the way through: `{"Authorization": ...}`
    renewed   how often it was revoked and stood in for
    """

    def __init__(self, store: Store, clock: PinnedClock) -> None:
        self._store = store
        self._clock = clock
        self.sent = bearer(store)
        self._now = self.sent["Authorization"]
        self.renewed = 0

    def before(self, app: Any) -> Any:
        """The application, to which what is sent is the token that stands now."""

        async def standing(scope: Any, receive: Any, send: Any) -> None:
            if scope["type"] != "http":
                await app(scope, receive, send)
                return
            sent = self.sent["Authorization"].encode()
            headers = [
                (name, self._now.encode() if (name, value) == (_HEADER, sent) else value)
                for name, value in scope["headers"]
            ]
            await app(scope | {"headers": headers}, receive, send)
            if scope["path"].endswith("/revoke"):
                self._renew()

        return standing

    def _renew(self) -> None:
        try:
            by_token(self._store, self._now.removeprefix("Bearer "), self._clock.now())
        except NotAdmitted:
            self._now = bearer(self._store)["Authorization"]
            self.renewed += 1
