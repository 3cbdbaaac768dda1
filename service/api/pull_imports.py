"""Many pulls from one file."""

from typing import Annotated, Any, Final

from litestar import Controller, Request, Response, post
from litestar.di import NamedDependency
from litestar.params import QueryParameter, RawBody

from service.access.caller import TokenScope
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse
from service.api.body import MalformedBody, agreed_media_type
from service.api.check_imports import MOST_IMPORT_BYTES
from service.api.idempotency import KeyMissing, store_once
from service.api.operations import TextBody, tells
from service.api.parameters import IdempotencyKey
from service.imports import PullFormat, import_pulls
from service.schemas.imports import ImportAnswer
from service.store import ShopStore

PULL_FILES: Final = {
    PullFormat.CSV.value: TextBody(
        description=(
            "One row a pull, or several alike with their `count`. Optional columns: angle_deg, "
            "operator, count, client_id."
        ),
        example=(
            "wrench,job,performed_at,direction,torque,unit,operator,count\n"
            "SP-101,W-1040,2026-04-28T09:15:00Z,clockwise,22,N.m,bay 3,4\n"
            "SP-101,W-1041,2026-04-28T13:40:00Z,clockwise,60,N.m,bay 1,8\n"
        ),
    ),
    PullFormat.NDJSON.value: TextBody(
        description="One pull a line: as in the body of recordPulls, and the wrench beside it.",
        example=(
            '{"wrench":"SP-101","job":"W-1039","performed_at":"2026-04-27T09:15:00Z",'
            '"direction":"clockwise","torque":{"value":22,"unit":"N.m"},"count":4}\n'
        ),
    ),
}


class PullImportController(Controller):
    path = "/v1/pulls/import"
    tags = ["pulls"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="importPulls",
        summary="Record work from a file",
        description=(
            "All or nothing, unless `partial` is true: then what keeps the rules is stored, and "
            "the answer names every fault of the other rows. A pull that is there already and "
            "says the same counts once."
        ),
        status_code=200,
        sync_to_thread=True,
        request_max_body_size=MOST_IMPORT_BYTES,
        opt=tells(kinds.REFUSED, key_required=True, sent=PULL_FILES, scope=TokenScope.BENCH),
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        body: RawBody,
        partial: Annotated[
            bool, QueryParameter(description="Store what can be stored, report the rest.")
        ] = False,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[ImportAnswer]:
        file_format = PullFormat(agreed_media_type(request, *PULL_FILES))
        if idempotency_key is None:
            raise KeyMissing
        if not body:
            raise MalformedBody("there is no body")

        def effect(records: ShopStore) -> JsonResponse[ImportAnswer]:
            report = import_pulls(records, body, file_format, now=shop.now(), partial=partial)
            return JsonResponse(ImportAnswer.of(report), headers=REVALIDATE)

        return store_once(shop, request, body, idempotency_key, effect)
