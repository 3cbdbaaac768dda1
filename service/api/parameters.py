"""Parameters that several operations share, with what they mean."""

import re
from datetime import UTC, date, datetime
from typing import Annotated, Final
from urllib.parse import unquote

from litestar.params import HeaderParameter, PathParameter, QueryParameter

from analysis.vocabulary import Direction
from service.api import paging
from service.api.body import InvalidRequest
from service.api.conditional import TAGS_PATTERN
from service.findings import Finding
from service.schemas.base import parse_instant

_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)

SerialPath = Annotated[str, PathParameter(description="The serial, letters told apart by case.")]
PullIdPath = Annotated[str, PathParameter(description="The id that the service gave the pull.")]
CheckIdPath = Annotated[str, PathParameter(description="The id that the service gave the check.")]

Cursor = Annotated[
    str | None,
    QueryParameter(
        description="next_cursor of the page before; opaque. Leave it out for the first page.",
        pattern="^[A-Za-z0-9_-]+$",
        min_length=1,
        max_length=400,
    ),
]
Limit = Annotated[int, QueryParameter(description="Most items on a page.", ge=1, le=paging.MOST)]
DirectionQuery = Annotated[
    Direction | None,
    QueryParameter(
        description="Only this direction; all that have a stated tolerance or a reading when left"
        " out."
    ),
]
AsOf = Annotated[
    str | None,
    QueryParameter(
        description="Only checks performed up to this instant count, and forecasts begin on its"
        " day (RFC 3339 with an offset). Left out: all checks, and today.",
        format="date-time",
    ),
]

IdempotencyKey = Annotated[
    str | None,
    HeaderParameter(
        name="Idempotency-Key",
        description="Made by the caller for this request, such as a UUID. The same key with the"
        " same request gives the same answer, and stores once.",
        min_length=1,
        max_length=255,
        pattern="^[\x21-\x7e]+$",
    ),
]
ActingPerson = Annotated[
    str | None,
    HeaderParameter(
        name="Acting-Person",
        description="Who does this, as they name themselves: kept in the wrench's trail beside the"
        " token and the address that the service knows, and not verified. Letters beyond ASCII are"
        " sent percent-encoded, as UTF-8.",
        min_length=1,
        max_length=255,
        pattern="^[\x21-\x7e]([\x20-\x7e]*[\x21-\x7e])?$",
    ),
]
IfMatch = Annotated[
    str | None,
    HeaderParameter(
        name="If-Match",
        description="The ETag of the version that was read, quotes included.",
        pattern=TAGS_PATTERN,
    ),
]
IfNoneMatch = Annotated[
    str | None,
    HeaderParameter(
        name="If-None-Match",
        description="The ETag of an answer already held; 304 when it is still the answer.",
    ),
]


def person_of(header: str | None) -> str | None:
    """The name in Acting-Person; raises InvalidRequest when it is no text to be read."""
    if header is None:
        return None
    try:
        name = unquote(header, errors="strict").strip()
    except UnicodeDecodeError:
        name = ""
    if not name or not name.isprintable():
        raise InvalidRequest(
            Finding(
                field="header:Acting-Person",
                detail="this is no name that can be read",
                remedy="send the name in ASCII, or percent-encoded as UTF-8",
            )
        )
    return name


def date_of(text: str, name: str) -> date:
    """The date that a query parameter spells; raises InvalidRequest."""
    if _DATE.fullmatch(text):
        try:
            return date.fromisoformat(text)
        except ValueError:
            pass  # a day that its month does not have
    raise InvalidRequest(
        Finding(
            field=f"query:{name}",
            detail=f"{text!r} is not a date",
            remedy="send a date as YYYY-MM-DD",
        )
    )


def instant_of(text: str, name: str) -> datetime:
    """The instant that a query parameter spells; raises InvalidRequest, for a naive time too."""
    try:
        instant = parse_instant(text)
    except ValueError as error:
        detail = str(error)
    else:
        if instant.tzinfo is not None:
            return instant.astimezone(UTC)
        detail = "the time has no offset from UTC, so it names no instant"
    raise InvalidRequest(
        Finding(
            field=f"query:{name}",
            detail=detail,
            remedy="send an RFC 3339 date-time with its offset, such as 2026-05-04T08:10:00Z",
        )
    )
