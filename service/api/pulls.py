"""Work done with one wrench: record, list, read, void."""

from typing import Annotated, Any

from litestar import Controller, Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, QueryParameter, RawBody

from service.access.caller import TokenScope
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse
from service.api.body import json_pointer
from service.api.idempotency import KeyMissing, store_once
from service.api.operations import tells
from service.api.parameters import (
    Cursor,
    DirectionQuery,
    IdempotencyKey,
    Limit,
    PullIdPath,
    SerialPath,
    instant_of,
)
from service.imports.bodies import Locate
from service.imports.pulls import SentPull, take_pulls
from service.records import Pull, Wrench
from service.schemas.checks import VoidInput
from service.schemas.pulls import PullAnswer, PullPage, PullsInput, PullsRecordedAnswer
from service.store import ShopStore, UnknownRecord

Since = Annotated[
    str | None,
    QueryParameter(
        description="Only pulls performed at this instant or after (RFC 3339 with an offset).",
        format="date-time",
    ),
]
Until = Annotated[
    str | None,
    QueryParameter(
        description="Only pulls performed before this instant (RFC 3339 with an offset).",
        format="date-time",
    ),
]
Job = Annotated[
    str | None,
    QueryParameter(description="Only pulls of this job.", min_length=1, max_length=200),
]


class PullController(Controller):
    path = "/v1/wrenches/{serial:str}/pulls"
    tags = ["pulls"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="recordPulls",
        summary="Record work done with a wrench",
        description=(
            "All of the list or nothing. Work is evidence: a pull outside the marked range, or "
            "with a wrench out of service, is kept and flagged. The same pull sent twice, by "
            "whatever road, counts once. They count as cycles where no counter was read, and say "
            "later what to look at when a check finds the wrench out."
        ),
        status_code=200,
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, key_required=True, scope=TokenScope.BENCH),
    )
    def record(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        serial: SerialPath,
        data: JSONBody[PullsInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[PullsRecordedAnswer]:
        if idempotency_key is None:
            raise KeyMissing

        def effect(records: ShopStore) -> JsonResponse[PullsRecordedAnswer]:
            wrench = records.wrenches.get(serial)
            sent = [
                SentPull(wrench=serial, draft=pull.draft(), locate=_located(place))
                for place, pull in enumerate(data.pulls)
            ]
            taken = take_pulls(records, sent, now=shop.now(), partial=False, found=[])
            return JsonResponse(
                PullsRecordedAnswer.of(taken.stored, taken.already_there, wrench),
                headers=REVALIDATE,
            )

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listPulls",
        summary="List the work done with a wrench",
        description=(
            "Newest first, a page at a time, within a window of time when asked for; voided pulls "
            "only when asked for."
        ),
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
        since: Since = None,
        until: Until = None,
        direction: DirectionQuery = None,
        job: Job = None,
        include_voided: Annotated[
            bool, QueryParameter(description="Also pulls that no longer count.")
        ] = False,
    ) -> Response[PullPage]:
        after = paging.key_of(cursor, "pulls")
        with shop.read() as records:
            wrench = records.wrenches.get(serial)
            found = records.pulls.list(
                serial,
                after,
                limit + 1,
                since=None if since is None else instant_of(since, "since"),
                until=None if until is None else instant_of(until, "until"),
                direction=direction,
                job=job,
                include_voided=include_voided,
            )
        page = found[:limit]
        return JsonResponse(
            PullPage(
                items=tuple(PullAnswer.of(pull, wrench) for pull in page),
                next_cursor=(
                    paging.cursor_after("pulls", page[-1].id) if len(found) > limit else None
                ),
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{pull_id:str}",
        operation_id="readPull",
        summary="Read a recorded pull",
        sync_to_thread=True,
    )
    def read(
        self, shop: NamedDependency[Shop], serial: SerialPath, pull_id: PullIdPath
    ) -> Response[PullAnswer]:
        with shop.read() as records:
            wrench, pull = _of_wrench(records, serial, pull_id)
        return JsonResponse(PullAnswer.of(pull, wrench), headers=REVALIDATE)

    @post(
        "/{pull_id:str}/void",
        operation_id="voidPull",
        summary="Void a pull",
        description=(
            "A pull is never edited. A wrong one is voided with a reason and stays on record; the "
            "right one is recorded beside it."
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
        pull_id: PullIdPath,
        data: JSONBody[VoidInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[PullAnswer]:
        def effect(records: ShopStore) -> JsonResponse[PullAnswer]:
            wrench, _ = _of_wrench(records, serial, pull_id)
            voided = records.pulls.void(pull_id, data.reason, shop.now())
            return JsonResponse(PullAnswer.of(voided, wrench), headers=REVALIDATE)

        return store_once(shop, request, body, idempotency_key, effect)


def _located(place: int) -> Locate:
    """Findings about one pull as findings about the list that it stands in."""
    return lambda pointer: (json_pointer("pulls", place) + pointer, None)


def _of_wrench(records: ShopStore, serial: str, pull_id: str) -> tuple[Wrench, Pull]:
    """The wrench, and the pull if it is one of its; raises UnknownRecord."""
    wrench, pull = records.wrenches.get(serial), records.pulls.get(pull_id)
    if pull.wrench != serial:
        raise UnknownRecord("pull", pull_id)
    return wrench, pull
