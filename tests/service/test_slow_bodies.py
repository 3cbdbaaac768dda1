"""A body that trickles in is given up in a limited time, and holds nobody else up."""

import asyncio
from typing import Any

import pytest
from calling import bearer

from service.api.sending import BodyTooSlow, in_good_time
from service.app import create_app
from service.store import Store


async def answered(app: Any, headers: dict[str, str], pieces: list[tuple[float, bytes]]) -> int:
    """The status for a body whose pieces come each after a pause, in seconds."""
    sent: list[Any] = []
    left = list(pieces)

    async def receive() -> Any:
        pause, piece = left.pop(0)
        await asyncio.sleep(pause)
        return {"type": "http.request", "body": piece, "more_body": bool(left)}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": "/v1/fastener-fit",
        "raw_path": b"/v1/fastener-fit",
        "query_string": b"",
        "root_path": "",
        "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        "client": ("192.0.2.7", 50_000),
        "server": ("127.0.0.1", 8620),
        "state": {},
    }
    await app(scope, receive, send)
    return int(sent[0]["status"])


def test_a_body_that_trickles_in_is_given_up(
    empty_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.api.sending.BODY_WITHIN_S", 0.2)
    app = create_app(store=empty_store)
    headers = bearer(empty_store) | {"Host": "127.0.0.1", "Content-Type": "application/json"}
    slow, quick = [(0.08, b"{")] * 50, [(0.0, b"{"), (0.05, b"}")]
    assert asyncio.run(answered(app, headers, slow)) == 408
    assert asyncio.run(answered(app, headers, quick)) == 422


def test_the_time_counts_from_the_first_question_to_the_last_piece() -> None:
    async def steps() -> None:
        messages = iter([True, True, False])

        async def receive() -> Any:
            await asyncio.sleep(0.01)
            return {"type": "http.request", "body": b"", "more_body": next(messages)}

        hurried = in_good_time(receive, 0.5)
        assert (await hurried())["more_body"]
        await asyncio.sleep(0.6)
        with pytest.raises(BodyTooSlow):
            await hurried()

    asyncio.run(steps())


def test_what_follows_a_whole_body_has_no_limit() -> None:
    async def steps() -> None:
        messages = iter([{"type": "http.request", "body": b""}, {"type": "http.disconnect"}])

        async def receive() -> Any:
            await asyncio.sleep(0.05)
            return next(messages)

        patient = in_good_time(receive, 0.1)
        await patient()
        await asyncio.sleep(0.2)
        assert (await patient())["type"] == "http.disconnect"

    asyncio.run(steps())
