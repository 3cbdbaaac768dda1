"""Whether the service lives, and whether it can answer."""

from typing import Literal

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import JsonResponse
from service.api.operations import tells
from service.schemas.base import Answer
from service.store import StoreUnusable, UnknownRecord

NOT_KEPT = {"Cache-Control": "no-store"}


class LiveAnswer(Answer):
    """The process answers."""

    status: Literal["live"] = "live"


class ReadyAnswer(Answer):
    """The store can be read, and has the schema of this release."""

    status: Literal["ready"] = "ready"


class HealthController(Controller):
    path = "/health"
    tags = ["health"]  # noqa: RUF012 - the framework's own form

    @get(
        "/live",
        operation_id="isLive",
        summary="Does the process answer?",
        description="Open to anybody, since it tells nothing but that; all else wants a token.",
        sync_to_thread=False,
        opt=tells(open=True),
    )
    def live(self) -> Response[LiveAnswer]:
        return JsonResponse(LiveAnswer(), headers=NOT_KEPT)

    @get(
        "/ready",
        operation_id="isReady",
        summary="Can the service answer questions?",
        sync_to_thread=True,
        opt=tells(kinds.NOT_READY),
    )
    def ready(self, shop: NamedDependency[Shop]) -> Response[ReadyAnswer]:
        shop.store.require_ready()
        try:
            with shop.read() as records:
                records.evidence_version()
        except UnknownRecord as error:
            raise StoreUnusable(f"the store has no shop {shop.key!r}") from error
        return JsonResponse(ReadyAnswer(), headers=NOT_KEPT)
