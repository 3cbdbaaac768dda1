"""Storing once however often a request is sent: the answer is kept by the key that came with it.

The answer, without a secret that is shown once, is kept in the transaction of its effect, so either
both are there or neither. Only answers that stored something are kept: a request that was refused
may be mended and sent again under its key.
"""

import hashlib
from collections.abc import Callable
from typing import Any, Final, TypeVar

from litestar import Request

from service.api.access import Shop
from service.api.answers import JsonResponse
from service.schemas.base import Answer
from service.store import ShopStore

REPLAYED: Final = "Idempotency-Replayed"

Body = TypeVar("Body", bound=Answer)


class KeyMissing(Exception):  # noqa: N818 - an answer about a request
    """The operation wants an Idempotency-Key, and none came."""

    def __init__(self) -> None:
        super().__init__("the request came without an Idempotency-Key")


class KeyReused(Exception):  # noqa: N818 - an answer about a request
    """The key came before, with another request."""

    def __init__(self, key: str) -> None:
        super().__init__(f"the key {key!r} was used for another request")
        self.key = key


def store_once(
    shop: Shop,
    request: Request[Any, Any, Any],
    body: bytes,
    key: str | None,
    effect: Callable[[ShopStore], JsonResponse[Body]],
) -> JsonResponse[Body]:
    """The answer of `effect`, run in one transaction, or the answer kept under the key.

    Raises KeyReused when the key came with another request, and whatever `effect` raises, in
    which case nothing was stored.
    """
    if key is None:
        with shop.write() as records:
            return effect(records)
    digest = request_digest(request, body)
    with shop.write() as records:
        kept = records.idempotency.find(key)
        if kept is None:
            response = effect(records)
            records.idempotency.keep(
                key,
                digest,
                response.status_code or 200,
                response.to_keep,
                response.headers,
                shop.now(),
            )
            return response
    if kept.request_digest != digest:
        raise KeyReused(key)
    return JsonResponse[Body].rebuilt(
        kept.body, status=kept.status, headers={**kept.headers, REPLAYED: "true"}
    )


def request_digest(request: Request[Any, Any, Any], body: bytes) -> str:
    """What makes two requests the same one: method, path, query and body, byte for byte."""
    digest = hashlib.sha256()
    for part in (
        request.method.encode(),
        request.scope["path"].encode(),
        request.scope["query_string"],
        request.content_type[0].encode(),
        body,
    ):
        digest.update(len(part).to_bytes(8, "big") + part)
    return digest.hexdigest()
