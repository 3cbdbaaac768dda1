"""How a body may come: plain, and in good time.

A compressed body could be a thousand times larger than it looks, so none is taken. A body that
trickles in holds a connection and a place for others; it is given a limited time in all. What comes
before the body, the server limits (headers: 30 s); how many connections one address may hold is for
a proxy to limit.
"""

import asyncio
from typing import Any, Final

from litestar import Request
from litestar.types import HTTPReceiveMessage, Receive

BODY_WITHIN_S: Final = 60.0


class EncodedBody(Exception):  # noqa: N818 - an answer about a body
    """The body came compressed or otherwise encoded."""

    def __init__(self, encoding: str) -> None:
        super().__init__(f"the body came with Content-Encoding {encoding!r}")


class BodyTooSlow(Exception):  # noqa: N818 - an answer about a body
    """The body had not come whole when its time was over."""

    def __init__(self, within_s: float) -> None:
        super().__init__(f"the body had not come whole after {within_s:g} s")


def refuse_encoded_body(request: Request[Any, Any, Any]) -> None:
    """Raises EncodedBody for any coding but `identity` (RFC 9110, section 8.4)."""
    encoding = request.headers.get("content-encoding", "")
    if encoding.strip().casefold() not in ("", "identity"):
        raise EncodedBody(encoding)


def in_good_time(receive: Receive, within_s: float) -> Receive:
    """The same messages; raises BodyTooSlow when the body is not whole within this time of the
    first question for it.
    """
    end: float | None = None
    whole = False

    async def received() -> HTTPReceiveMessage:
        nonlocal end, whole
        if whole:
            return await receive()  # type: ignore[return-value]  # that the client has gone
        now = asyncio.get_running_loop().time()
        end = now + within_s if end is None else end
        try:
            message = await asyncio.wait_for(receive(), end - now)
        except TimeoutError:
            raise BodyTooSlow(within_s) from None
        whole = not message.get("more_body", False)
        return message  # type: ignore[return-value]

    return received
