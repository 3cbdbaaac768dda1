"""The access tokens of a shop: make, list, read and revoke."""

from typing import Annotated, Any

from litestar import Controller, Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, RawBody

from service.access.caller import TokenScope
from service.access.tokens import make_token
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import JsonResponse
from service.api.idempotency import store_once
from service.api.operations import tells
from service.api.parameters import Cursor, IdempotencyKey, Limit
from service.schemas.tokens import MadeTokenAnswer, TokenAnswer, TokenInput, TokenPage
from service.store import ShopStore, UnknownRecord

# Who may get in is nobody's to keep.
_NOT_KEPT = {"Cache-Control": "no-store"}
TokenIdPath = Annotated[
    str, PathParameter(description="The id of the token, the part after `wdt_`; no secret.")
]


class TokenController(Controller):
    path = "/v1/tokens"
    tags = ["tokens"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="createToken",
        summary="Make an access token",
        description=(
            "For this shop, of a scope not beyond one's own, for a limited time. The secret is in "
            "this answer and nowhere else: what is kept, also for a repeated request, is a digest."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, created=True),
    )
    def create(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        data: JSONBody[TokenInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[MadeTokenAnswer]:
        def effect(records: ShopStore) -> JsonResponse[MadeTokenAnswer]:
            now = shop.now()
            token, secret = make_token(
                records,
                name=data.name,
                scope=data.scope,
                days=data.days,
                by=shop.caller,
                now=now,
            )
            return JsonResponse(
                MadeTokenAnswer.shown(token, secret, now),
                status=201,
                headers={"Location": paging.location("tokens", token.id), **_NOT_KEPT},
                kept=MadeTokenAnswer.kept(token, now),
            )

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listTokens",
        summary="List access tokens",
        description="The one made last first, a page at a time; never a secret.",
        sync_to_thread=True,
        opt=tells(scope=TokenScope.MANAGE),
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
    ) -> Response[TokenPage]:
        after = paging.key_of(cursor, "tokens")
        with shop.read() as records:
            try:
                found = records.tokens.list(after, limit + 1)
            except UnknownRecord as error:
                raise paging.not_of_this_list() from error
        page = found[:limit]
        return JsonResponse(
            TokenPage(
                items=tuple(TokenAnswer.of(token, shop.now()) for token in page),
                next_cursor=(
                    paging.cursor_after("tokens", page[-1].id) if len(found) > limit else None
                ),
            ),
            headers=_NOT_KEPT,
        )

    @get(
        "/{token_id:str}",
        operation_id="readToken",
        summary="Read an access token",
        sync_to_thread=True,
        opt=tells(scope=TokenScope.MANAGE),
    )
    def read(self, shop: NamedDependency[Shop], token_id: TokenIdPath) -> Response[TokenAnswer]:
        with shop.read() as records:
            token = records.tokens.get(token_id)
        return JsonResponse(TokenAnswer.of(token, shop.now()), headers=_NOT_KEPT)

    @post(
        "/{token_id:str}/revoke",
        operation_id="revokeToken",
        summary="Revoke an access token",
        description=(
            "It opens nothing from this moment on, and every session of the pages that rests on it "
            "is over. It stays in the list; revoking it again changes nothing."
        ),
        status_code=200,
        sync_to_thread=True,
    )
    def revoke(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        token_id: TokenIdPath,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[TokenAnswer]:
        def effect(records: ShopStore) -> JsonResponse[TokenAnswer]:
            now = shop.now()
            token = records.tokens.revoke(token_id, now)
            return JsonResponse(TokenAnswer.of(token, now), headers=_NOT_KEPT)

        return store_once(shop, request, b"", idempotency_key, effect)
