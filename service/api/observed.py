"""Every request under an id of its own, counted, timed, logged, and answered with safe headers."""

import logging
import re
from collections.abc import Awaitable, Callable
from time import perf_counter
from typing import Any, Final
from uuid import uuid4

from litestar.types import Message, Receive, Scope, Send

from service import metrics
from service.logs import REQUEST_ID

_HEADER: Final = b"x-request-id"
_WELL_FORMED: Final = re.compile(rb"[A-Za-z0-9._-]{8,64}")
_OTHER: Final = "other"  # pages and assets, and paths that lead nowhere
_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE"})

# For every answer that does not say otherwise: it is not to be taken for another type than it says,
# nor shown to other sites; and nothing in it may run, but in what is made to be looked at.
_NOTHING_RUNS: Final = (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'")
_LOOKED_AT: Final = (b"text/html", b"image/svg+xml")
_SAFE: Final = (
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
)
_STRICT_TRANSPORT: Final = (b"strict-transport-security", b"max-age=31536000")

_log = logging.getLogger(__name__)

Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]


async def observed(
    app: Asgi, scope: Any, receive: Receive, send: Send, came_by_tls: Callable[[Any], bool]
) -> None:
    """Have `app` answer a request, and see to what all answers have in common.

    came_by_tls   whether a request of this scope did, on its last stretch or before its proxies
    """
    request_id = _request_id(scope)
    token = REQUEST_ID.set(request_id)
    status = 500
    started = perf_counter()

    async def send_marked(message: Message) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]
            given = list(message["headers"])
            names = {name.lower(): value for name, value in given}
            extra = [*_SAFE, (_HEADER, request_id.encode())]
            if not names.get(b"content-type", b"").startswith(_LOOKED_AT):
                extra.append(_NOTHING_RUNS)
            if came_by_tls(scope):
                extra.append(_STRICT_TRANSPORT)
            message["headers"] = [*given, *(each for each in extra if each[0] not in names)]
        await send(message)

    try:
        await app(scope, receive, send_marked)
    finally:
        _tell(scope, status, perf_counter() - started)
        REQUEST_ID.reset(token)


def _tell(scope: Any, status: int, seconds: float) -> None:
    operation = _operation(scope)
    method = scope["method"] if scope["method"] in _METHODS else _OTHER
    metrics.REQUESTS.labels(operation, str(status)).inc()
    metrics.REQUEST_SECONDS.labels(operation).observe(seconds)
    _log.info(
        "answered",
        extra={
            "method": method,
            "operation": operation,
            "status": status,
            "seconds": round(seconds, 6),
        },
    )


def _request_id(scope: Any) -> str:
    """The caller's own id when it is well formed, else a new one."""
    for name, value in scope["headers"]:
        if name == _HEADER and _WELL_FORMED.fullmatch(value):
            return str(value, "ascii")
    return str(uuid4())


def _operation(scope: Any) -> str:
    """The operation of the description that answered."""
    handler = scope.get("route_handler")
    return getattr(handler, "operation_id", None) or _OTHER
