"""Tables sent piece by piece, and ended when nobody wants more of them."""

from collections.abc import AsyncGenerator, Generator, Mapping
from typing import Any, cast

from anyio import to_thread
from litestar.response import Stream
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send


class Sending(Stream):
    """What a generator makes, which is closed however the sending ends.

    It holds a snapshot of the store. Left to itself, one whose caller has gone would hold it until
    the memory is tidied up.
    """

    def __init__(
        self,
        first: bytes,
        others: Generator[bytes],
        *,
        media_type: str,
        headers: Mapping[str, str],
    ) -> None:
        self._others = others
        self._sent = _in_threads(first, others)
        super().__init__(self._sent, media_type=media_type, headers=dict(headers))

    def to_asgi_response(self, *arguments: Any, **named: Any) -> ASGIResponse:
        response = super().to_asgi_response(*arguments, **named)

        async def then_closed(scope: Scope, receive: Receive, send: Send) -> None:
            try:
                await response(scope, receive, send)
            finally:
                await self._sent.aclose()
                self._others.close()

        # The framework asks no more of it than to be called.
        return cast("ASGIResponse", then_closed)


async def _in_threads(first: bytes, others: Generator[bytes]) -> AsyncGenerator[bytes]:
    yield first
    # A thread that makes a piece is waited for: nothing closes the generator under it.
    while (piece := await to_thread.run_sync(next, others, None)) is not None:
        yield piece
