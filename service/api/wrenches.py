"""Wrenches: register, list, read, change, take out of service and back."""

from typing import Annotated, Any

from litestar import Controller, Request, Response, get, patch, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, QueryParameter, RawBody

from service import registration
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import expected_version, is_fresh, version_tag
from service.api.idempotency import store_once
from service.api.operations import tells
from service.api.parameters import (
    ActingPerson,
    Cursor,
    IdempotencyKey,
    IfMatch,
    IfNoneMatch,
    Limit,
    SerialPath,
    person_of,
)
from service.recording import change_wrench, register_wrench
from service.records import ServiceStatus, Wrench
from service.schemas.wrenches import (
    WrenchAnswer,
    WrenchChangeInput,
    WrenchInput,
    WrenchPage,
    WrenchWithCareAnswer,
)
from service.store import ShopStore


class WrenchController(Controller):
    path = "/v1/wrenches"
    tags = ["wrenches"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="registerWrench",
        summary="Register a wrench",
        description=(
            "A wrench is known by its serial. Its range and its maximum permissible deviation are "
            "what every check is judged against: take them from its marking and its certificate."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.DUPLICATE_RECORD, created=True),
    )
    def register(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        data: JSONBody[WrenchInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
        acting_person: ActingPerson = None,
    ) -> Response[WrenchWithCareAnswer]:
        person = person_of(acting_person)

        def effect(records: ShopStore) -> JsonResponse[WrenchWithCareAnswer]:
            wrench = registration.admit_wrench(data.record(shop.now()))
            register_wrench(records, wrench, person=person)
            return _answer(wrench, status=201, location=True)

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listWrenches",
        summary="List wrenches",
        description="In order of their serials, a page at a time.",
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
        status: Annotated[
            ServiceStatus | None, QueryParameter(description="Only wrenches of this status.")
        ] = None,
    ) -> Response[WrenchPage]:
        after = paging.key_of(cursor, "wrenches")
        with shop.read() as records:
            found = records.wrenches.list(after, limit + 1, status)
        page = found[:limit]
        return JsonResponse(
            WrenchPage(
                items=tuple(WrenchAnswer.of(wrench) for wrench in page),
                next_cursor=(
                    paging.cursor_after("wrenches", page[-1].serial) if len(found) > limit else None
                ),
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{serial:str}",
        operation_id="readWrench",
        summary="Read a wrench, and how to treat it",
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        if_none_match: IfNoneMatch = None,
    ) -> Response[WrenchWithCareAnswer]:
        with shop.read() as records:
            wrench = records.wrenches.get(serial)
        tag = version_tag(wrench.version)
        return not_modified(tag) if is_fresh(if_none_match, tag) else _answer(wrench)

    @patch(
        "/{serial:str}",
        operation_id="changeWrench",
        summary="Change a wrench, or take it out of service",
        description=(
            "Fields that are left out stay. `service` takes the wrench out of service or releases "
            "it, with the reason. A wrench that a check found out of tolerance is out of service "
            "without that, and is not released here but by a check as left that passes."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.IN_QUARANTINE),
    )
    def change(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        data: JSONBody[WrenchChangeInput],
        if_match: IfMatch = None,
        acting_person: ActingPerson = None,
    ) -> Response[WrenchWithCareAnswer]:
        person = person_of(acting_person)
        with shop.write() as records:
            current = records.wrenches.get(serial)
            version = expected_version(if_match, current.version)
            changed = registration.admit_wrench(data.applied_to(current, shop.now()))
            return _answer(
                change_wrench(
                    records,
                    changed,
                    version,
                    releases=data.releases,
                    person=person,
                    now=shop.now(),
                )
            )


def _answer(
    wrench: Wrench, *, status: int = 200, location: bool = False
) -> JsonResponse[WrenchWithCareAnswer]:
    headers = {"ETag": version_tag(wrench.version), **REVALIDATE}
    if location:
        headers["Location"] = paging.location("wrenches", wrench.serial)
    return JsonResponse(WrenchWithCareAnswer.of(wrench), status=status, headers=headers)
