"""Angle checks of one wrench: record, list, read, void."""

from typing import Annotated, Any

from litestar import Controller, Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, QueryParameter, RawBody

from service.access.caller import TokenScope
from service.angle_intake import admit_angle_check
from service.angle_records import AngleCheck
from service.angle_verdict import angle_verdict
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import digest_tag, is_fresh
from service.api.idempotency import KeyMissing, store_once
from service.api.operations import tells
from service.api.parameters import (
    ActingPerson,
    CheckIdPath,
    Cursor,
    IdempotencyKey,
    IfNoneMatch,
    Limit,
    SerialPath,
    person_of,
)
from service.recording import record_angle_check, void_angle_check
from service.schemas.angle_checks import (
    AngleCheckAnswer,
    AngleCheckInput,
    AngleCheckPage,
    JudgedAngleCheckAnswer,
)
from service.schemas.checks import VoidInput
from service.store import ShopStore, UnknownRecord

_LIST = "angle-checks"


class AngleCheckController(Controller):
    path = "/v1/wrenches/{serial:str}/angle-checks"
    tags = ["checks"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="recordAngleCheck",
        summary="Record an angle check",
        description=(
            "One visit of a wrench that shows angles to a reference, in one direction, or the card "
            "that came with it. The answer carries the verdict at once: each reading against the "
            "angle's limit, and the mean deviation at each target. The reference device is one of "
            "the shop's testers. The same angle check sent twice counts once."
        ),
        sync_to_thread=True,
        opt=tells(
            kinds.REFUSED,
            kinds.DUPLICATE_RECORD,
            created=True,
            key_required=True,
            scope=TokenScope.BENCH,
        ),
    )
    def record(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        serial: SerialPath,
        data: JSONBody[AngleCheckInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
        acting_person: ActingPerson = None,
    ) -> Response[JudgedAngleCheckAnswer]:
        person = person_of(acting_person)
        if idempotency_key is None:
            raise KeyMissing

        def effect(records: ShopStore) -> JsonResponse[JudgedAngleCheckAnswer]:
            draft = data.draft()
            check = admit_angle_check(
                draft,
                wrench=records.wrenches.get(serial),
                tester=records.testers.find(draft.tester) if draft.tester else None,
                policy=records.policy.get(),
                now=shop.now(),
                replaced=records.angle_checks.find(draft.replaces) if draft.replaces else None,
            )
            record_angle_check(records, check, person=person, because=draft.replaces_because)
            return _judged(records, check, status=201)

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listAngleChecks",
        summary="List the angle checks of a wrench",
        description="Newest first, a page at a time; voided checks only when asked for.",
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
        include_voided: Annotated[
            bool, QueryParameter(description="Also checks that no longer count.")
        ] = False,
    ) -> Response[AngleCheckPage]:
        after = paging.key_of(cursor, _LIST)
        with shop.read() as records:
            records.wrenches.get(serial)
            found = records.angle_checks.list(
                serial, after, limit + 1, include_voided=include_voided
            )
        page = found[:limit]
        more = len(found) > limit
        return JsonResponse(
            AngleCheckPage(
                items=tuple(AngleCheckAnswer.of(check) for check in page),
                next_cursor=paging.cursor_after(_LIST, page[-1].id) if more else None,
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{check_id:str}",
        operation_id="readAngleCheck",
        summary="Read an angle check and its verdict",
        description="The verdict is worked out from wrench and policy as they stand now.",
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        check_id: CheckIdPath,
        if_none_match: IfNoneMatch = None,
    ) -> Response[JudgedAngleCheckAnswer]:
        with shop.read() as records:
            response = _judged(records, _of_wrench(records, serial, check_id), status=200)
        tag = response.headers["ETag"]
        return not_modified(tag) if is_fresh(if_none_match, tag) else response

    @post(
        "/{check_id:str}/void",
        operation_id="voidAngleCheck",
        summary="Void an angle check",
        description=(
            "An angle check is never edited. A wrong one is voided with a reason, stays on record, "
            "and another may name it in `replaces`."
        ),
        status_code=200,
        sync_to_thread=True,
        opt=tells(kinds.ALREADY_VOIDED),
    )
    def void(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        serial: SerialPath,
        check_id: CheckIdPath,
        data: JSONBody[VoidInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
        acting_person: ActingPerson = None,
    ) -> Response[AngleCheckAnswer]:
        person = person_of(acting_person)

        def effect(records: ShopStore) -> JsonResponse[AngleCheckAnswer]:
            _of_wrench(records, serial, check_id)
            voided = void_angle_check(records, check_id, data.reason, person=person, now=shop.now())
            return JsonResponse(AngleCheckAnswer.of(voided), headers=REVALIDATE)

        return store_once(shop, request, body, idempotency_key, effect)


def _of_wrench(records: ShopStore, serial: str, check_id: str) -> AngleCheck:
    """The angle check, if it is one of this wrench's; raises UnknownRecord."""
    records.wrenches.get(serial)
    check = records.angle_checks.get(check_id)
    if check.wrench != serial:
        raise UnknownRecord("angle check", check_id)
    return check


def _judged(
    records: ShopStore, check: AngleCheck, *, status: int
) -> JsonResponse[JudgedAngleCheckAnswer]:
    wrench, policy = records.wrenches.get(check.wrench), records.policy.get()
    verdict = angle_verdict(check, wrench.angle, policy) if wrench.angle else None
    answer = JudgedAngleCheckAnswer.judged(check, verdict, policy)
    headers = {"ETag": digest_tag(answer.model_dump_json()), **REVALIDATE}
    if status == 201:
        place = paging.location("wrenches", check.wrench)
        headers["Location"] = f"{place}/{_LIST}/{check.id}"
    return JsonResponse(answer, status=status, headers=headers)
