"""Many checks from one file."""

from typing import Annotated, Any, Final

from litestar import Controller, Request, Response, post
from litestar.di import NamedDependency
from litestar.params import QueryParameter, RawBody

from service.access.caller import TokenScope
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse
from service.api.body import MalformedBody, agreed_media_type
from service.api.idempotency import KeyMissing, store_once
from service.api.operations import TextBody, tells
from service.api.parameters import ActingPerson, IdempotencyKey, person_of
from service.imports import CheckFormat, import_checks
from service.schemas.imports import ImportAnswer
from service.store import ShopStore

MOST_IMPORT_BYTES: Final = 32 * 1024 * 1024  # about a quarter of a million readings

FILES: Final = {
    CheckFormat.CSV.value: TextBody(
        description=(
            "One row a reading. Rows with the same wrench, kind, direction, time and tester or "
            "card form one check; an empty `indicated` is the target."
        ),
        example=(
            "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,"
            "reading,indicated,unit,card_issuer,card_certificate,card_issued_on\n"
            "SP-101,as_found,clockwise,2026-04-02T08:10:00Z,TB-1,bench 2,21.5,3400,20,19.79,,N.m,,,"
            "\n"
            "SP-101,as_found,clockwise,2026-04-02T08:10:00Z,TB-1,bench 2,21.5,3400,20,19.83,,N.m,,,"
            "\n"
        ),
    ),
    CheckFormat.NDJSON.value: TextBody(
        description="One check a line: the body of recordCheck, and the wrench beside it.",
        example=(
            '{"wrench":"SP-101","kind":"as_found","direction":"clockwise",'
            '"performed_at":"2026-04-03T08:10:00Z","tester":"TB-1","points":'
            '[{"target":{"value":20,"unit":"N.m"},'
            '"readings":{"values":[19.79,19.83],"unit":"N.m"}}]}\n'
        ),
    ),
    CheckFormat.PARQUET.value: TextBody(
        description=(
            "The columns of the CSV: targets, readings and indicated values as numbers, "
            "`performed_at` as an instant or as text, all else as text or numbers; nothing where "
            "a cell is empty."
        ),
        example="(bytes of a Parquet file)",
        schema={
            "type": "string",
            "minLength": 1,
            "contentMediaType": CheckFormat.PARQUET.value,
        },
    ),
}


class CheckImportController(Controller):
    path = "/v1/checks/import"
    tags = ["checks"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="importChecks",
        summary="Record many checks from a file",
        description=(
            "All or nothing, unless `partial` is true: then what keeps the rules is stored, and "
            "the answer names every fault of the other rows. A check that is there already and "
            "says the same counts once. A history may come in any order: whether a wrench ends in "
            "quarantine is decided by all its checks in the order in which they were performed."
        ),
        status_code=200,
        sync_to_thread=True,
        request_max_body_size=MOST_IMPORT_BYTES,
        opt=tells(kinds.REFUSED, key_required=True, sent=FILES, scope=TokenScope.BENCH),
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        body: RawBody,
        partial: Annotated[
            bool, QueryParameter(description="Store what can be stored, report the rest.")
        ] = False,
        confirm_unusual: Annotated[
            bool,
            QueryParameter(description="Stand by readings that look like a slip, in every row."),
        ] = False,
        idempotency_key: IdempotencyKey = None,
        acting_person: ActingPerson = None,
    ) -> Response[ImportAnswer]:
        person = person_of(acting_person)
        file_format = CheckFormat(agreed_media_type(request, *FILES))
        if idempotency_key is None:
            raise KeyMissing
        if not body:
            raise MalformedBody("there is no body")

        def effect(records: ShopStore) -> JsonResponse[ImportAnswer]:
            report = import_checks(
                records,
                body,
                file_format,
                now=shop.now(),
                partial=partial,
                confirm_unusual=confirm_unusual,
                person=person,
            )
            return JsonResponse(ImportAnswer.of(report), headers=REVALIDATE)

        return store_once(shop, request, body, idempotency_key, effect)
