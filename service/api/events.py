"""What happened to a wrench: the trail, read only."""

import re
from typing import Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from service.api import paging
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse
from service.api.parameters import Cursor, Limit, SerialPath
from service.schemas.events import EventAnswer, EventPage

_NUMBER: Final = re.compile(r"[1-9][0-9]{0,17}", re.ASCII)


class EventController(Controller):
    path = "/v1/wrenches/{serial:str}/events"
    tags = ["wrenches"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="listEvents",
        summary="What happened to a wrench",
        description=(
            "Who registered, changed, took out and released it, which checks were recorded and "
            "voided, and when its own checks put it in quarantine or lifted that; newest first, a "
            "page at a time. Each line was written together with what it tells, and none is ever "
            "edited or deleted."
        ),
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
    ) -> Response[EventPage]:
        before = _number(cursor)
        with shop.read() as records:
            records.wrenches.get(serial)
            found = records.events.list(serial, before, limit + 1)
        page = found[:limit]
        return JsonResponse(
            EventPage(
                wrench=serial,
                items=tuple(EventAnswer.of(event) for event in page),
                next_cursor=(
                    paging.cursor_after("events", str(page[-1].number))
                    if len(found) > limit
                    else None
                ),
            ),
            headers=REVALIDATE,
        )


def _number(cursor: str | None) -> int | None:
    """The number that the page before ended with; raises InvalidRequest."""
    key = paging.key_of(cursor, "events")
    if key is None:
        return None
    if not _NUMBER.fullmatch(key):
        raise paging.not_of_this_list()
    return int(key)
