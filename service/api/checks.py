"""Checks of one wrench: record, list, read, void."""

from typing import Annotated, Any

from litestar import Controller, Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, QueryParameter, RawBody

from service.access.caller import TokenScope
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
from service.earlier import HISTORY
from service.intake import CycleCounts, admit_check
from service.recording import record_checks, void_check
from service.records import Check
from service.schemas.checks import CheckAnswer, CheckInput, CheckPage, VoidInput
from service.schemas.verdicts import JudgedCheckAnswer
from service.store import ShopStore, UnknownRecord
from service.verdict import verdict


class CheckController(Controller):
    path = "/v1/wrenches/{serial:str}/checks"
    tags = ["checks"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="recordCheck",
        summary="Record a check",
        description=(
            "One visit of the wrench to a tester, in one direction, or the card that came with it. "
            "The answer carries the verdict at once: each reading against its limit, and whether "
            "to measure again. One that fails takes the wrench out of service by itself, until a "
            "check as left passes in that direction. The same check sent twice, by whatever road, "
            "counts once. A correction names the check that was wrong and why, which is voided in "
            "the same moment."
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
        data: JSONBody[CheckInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
        acting_person: ActingPerson = None,
    ) -> Response[JudgedCheckAnswer]:
        person = person_of(acting_person)
        if idempotency_key is None:
            raise KeyMissing

        def effect(records: ShopStore) -> JsonResponse[JudgedCheckAnswer]:
            draft = data.draft()
            check = admit_check(
                draft,
                wrench=records.wrenches.get(serial),
                tester=records.testers.find(draft.tester) if draft.tester else None,
                policy=records.policy.get(),
                earlier=(
                    CycleCounts()  # only a count is held against others
                    if draft.cycle_count is None
                    else records.checks.cycle_counts(serial)
                ),
                now=shop.now(),
                replaced=records.checks.find(draft.replaces) if draft.replaces else None,
            )
            record_checks(
                records, (check,), person=person, now=shop.now(), corrections=draft.corrections
            )
            return _judged(records, check, status=201)

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listChecks",
        summary="List the checks of a wrench",
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
    ) -> Response[CheckPage]:
        after = paging.key_of(cursor, "checks")
        with shop.read() as records:
            records.wrenches.get(serial)
            found = records.checks.list(serial, after, limit + 1, include_voided=include_voided)
        page = found[:limit]
        return JsonResponse(
            CheckPage(
                items=tuple(CheckAnswer.of(check) for check in page),
                next_cursor=(
                    paging.cursor_after("checks", page[-1].id) if len(found) > limit else None
                ),
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{check_id:str}",
        operation_id="readCheck",
        summary="Read a check and its verdict",
        description="The verdict is worked out from wrench, tester and policy as they stand now.",
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        check_id: CheckIdPath,
        if_none_match: IfNoneMatch = None,
    ) -> Response[JudgedCheckAnswer]:
        with shop.read() as records:
            response = _judged(records, check_of_wrench(records, serial, check_id), status=200)
        tag = response.headers["ETag"]
        return not_modified(tag) if is_fresh(if_none_match, tag) else response

    @post(
        "/{check_id:str}/void",
        operation_id="voidCheck",
        summary="Void a check",
        description=(
            "A check is never edited. A wrong one is voided with a reason, stays on record, and "
            "another may name it in `replaces`. Quarantine follows the checks that still count."
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
    ) -> Response[CheckAnswer]:
        person = person_of(acting_person)

        def effect(records: ShopStore) -> JsonResponse[CheckAnswer]:
            check_of_wrench(records, serial, check_id)
            voided = void_check(records, check_id, data.reason, person=person, now=shop.now())
            return JsonResponse(CheckAnswer.of(voided), headers=REVALIDATE)

        return store_once(shop, request, body, idempotency_key, effect)


def check_of_wrench(records: ShopStore, serial: str, check_id: str) -> Check:
    """The check, if it is one of this wrench's; raises UnknownRecord."""
    records.wrenches.get(serial)
    check = records.checks.get(check_id)
    if check.wrench != serial:
        raise UnknownRecord("check", check_id)
    return check


def judged_answer(records: ShopStore, check: Check) -> JudgedCheckAnswer:
    """The check with its verdict, from wrench, tester, policy and earlier checks as they stand."""
    wrench, policy = records.wrenches.get(check.wrench), records.policy.get()
    tester = records.testers.get(check.tester) if check.tester else None
    earlier = records.checks.readings_before(check, HISTORY)
    found = None
    if wrench.mpd(check.direction) is not None:
        found = verdict(check, wrench=wrench, tester=tester, policy=policy, earlier=earlier)
    return JudgedCheckAnswer.judged(check, found, policy)


def _judged(records: ShopStore, check: Check, *, status: int) -> JsonResponse[JudgedCheckAnswer]:
    answer = judged_answer(records, check)
    response = JsonResponse(answer, status=status, headers=REVALIDATE)
    response.headers["ETag"] = digest_tag(response.to_keep.decode())
    if status == 201:
        place = f"{paging.location('wrenches', check.wrench)}/checks/{check.id}"
        response.headers["Location"] = place
    return response
