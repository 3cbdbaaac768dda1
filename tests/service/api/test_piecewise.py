"""A table under way is ended when its caller goes away, and at once."""

import asyncio
from collections.abc import Generator
from typing import Any

from service.api.piecewise import Sending

HTTP: Any = {"type": "http", "method": "GET", "path": "/", "headers": []}


class Pieces:
    """Makes pieces without end, and knows whether it may stop."""

    def __init__(self) -> None:
        self.made = 0
        self.closed = False
        self.of = self._make()
        self.first = next(self.of)

    def _make(self) -> Generator[bytes]:
        try:
            while True:
                self.made += 1
                yield b"piece"
        finally:
            self.closed = True


def sent_until(pieces: Pieces, fails_at: int | None, leaves_at: int | None) -> int:
    """How many pieces were sent to a caller who leaves, or whose connection breaks."""
    sent = 0

    async def visit() -> None:
        gone = asyncio.Event()

        async def receive() -> Any:
            await gone.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            nonlocal sent
            if message["type"] == "http.response.body":
                if sent == fails_at:
                    raise ConnectionResetError
                sent += 1
                if sent == leaves_at:
                    gone.set()
                await asyncio.sleep(0.001)

        sending = Sending(pieces.first, pieces.of, media_type="text/csv", headers={})
        response = sending.to_asgi_response(None, None)
        await asyncio.wait_for(response(HTTP, receive, send), 60)

    asyncio.run(visit())
    return sent


def test_a_caller_who_goes_away_ends_the_making() -> None:
    """What an ASGI server tells of a connection that was closed: `http.disconnect`."""
    pieces = Pieces()
    sent = sent_until(pieces, fails_at=None, leaves_at=3)
    assert pieces.closed
    assert 3 <= sent <= pieces.made <= 10


def test_a_connection_that_breaks_ends_the_making() -> None:
    pieces = Pieces()
    try:
        sent_until(pieces, fails_at=2, leaves_at=None)
    except* ConnectionResetError:
        pass
    assert pieces.closed
