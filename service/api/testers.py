"""Testers: register, list, read, and record what a new calibration of one brought."""

from typing import Any

from litestar import Controller, Request, Response, get, patch, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, RawBody

from service import registration
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import expected_version, is_fresh, version_tag
from service.api.idempotency import store_once
from service.api.operations import tells
from service.api.parameters import (
    Cursor,
    IdempotencyKey,
    IfMatch,
    IfNoneMatch,
    Limit,
    SerialPath,
)
from service.records import Tester
from service.schemas.testers import TesterAnswer, TesterChangeInput, TesterInput, TesterPage
from service.store import ShopStore


class TesterController(Controller):
    path = "/v1/testers"
    tags = ["testers"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="registerTester",
        summary="Register a tester",
        description="A reference device, with the uncertainty and the dates of its certificate.",
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.DUPLICATE_RECORD, created=True),
    )
    def register(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        data: JSONBody[TesterInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[TesterAnswer]:
        def effect(records: ShopStore) -> JsonResponse[TesterAnswer]:
            tester = registration.admit_tester(data.record(shop.now()), now=shop.now())
            records.testers.add(tester)
            return _answer(tester, status=201, location=True)

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listTesters",
        summary="List testers",
        description="In order of their serials, a page at a time.",
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
    ) -> Response[TesterPage]:
        after = paging.key_of(cursor, "testers")
        with shop.read() as records:
            found = records.testers.list(after, limit + 1)
        page = found[:limit]
        return JsonResponse(
            TesterPage(
                items=tuple(TesterAnswer.of(tester) for tester in page),
                next_cursor=(
                    paging.cursor_after("testers", page[-1].serial) if len(found) > limit else None
                ),
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{serial:str}",
        operation_id="readTester",
        summary="Read a tester",
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        if_none_match: IfNoneMatch = None,
    ) -> Response[TesterAnswer]:
        with shop.read() as records:
            tester = records.testers.get(serial)
        tag = version_tag(tester.version)
        return not_modified(tag) if is_fresh(if_none_match, tag) else _answer(tester)

    @patch(
        "/{serial:str}",
        operation_id="changeTester",
        summary="Change a tester, for instance after its calibration",
        description=(
            "Fields that are left out stay. Checks already stored stay as they are; their verdicts "
            "are worked out with the certificate as it is now entered."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED),
    )
    def change(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        data: JSONBody[TesterChangeInput],
        if_match: IfMatch = None,
    ) -> Response[TesterAnswer]:
        with shop.write() as records:
            current = records.testers.get(serial)
            version = expected_version(if_match, current.version)
            changed = registration.admit_tester(data.applied_to(current), now=shop.now())
            return _answer(records.testers.update(changed, version))


def _answer(
    tester: Tester, *, status: int = 200, location: bool = False
) -> JsonResponse[TesterAnswer]:
    headers = {"ETag": version_tag(tester.version), **REVALIDATE}
    if location:
        headers["Location"] = paging.location("testers", tester.serial)
    return JsonResponse(TesterAnswer.of(tester), status=status, headers=headers)
