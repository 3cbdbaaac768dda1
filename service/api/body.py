"""Bodies read strictly: the media type agreed, JSON without repeated keys, the model's own rules.

The framework alone would read any media type as JSON, keep the last of two equal keys, and take
`true` for a number.
"""

import json
from collections.abc import AsyncGenerator
from typing import Any, Final, NoReturn, TypeVar

from litestar import Request
from litestar.connection.base import empty_receive, empty_send
from litestar.exceptions import InternalServerException
from litestar.types import Receive, Scope, Send
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from service.api import sending
from service.findings import Finding
from service.torque import UNITS

MOST_BYTES: Final = 256 * 1024  # of a body, unless the operation allows more
JSON: Final = "application/json"

Model = TypeVar("Model", bound=BaseModel)


class MalformedBody(Exception):  # noqa: N818 - an answer about a body
    """The body is not JSON in UTF-8, or a key occurs twice in one object."""


class UnsupportedMediaType(Exception):  # noqa: N818 - an answer about a body
    """The body came as `received`; the operation reads `accepted`."""

    def __init__(self, received: str, accepted: tuple[str, ...]) -> None:
        super().__init__(f"the body came as {received!r}" if received else "no Content-Type came")
        self.received = received
        self.accepted = accepted


class InvalidRequest(Exception):  # noqa: N818 - an answer about a request
    """The request does not have the form described; `findings` names each fault."""

    def __init__(self, *findings: Finding) -> None:
        super().__init__("; ".join(f"{finding.field}: {finding.detail}" for finding in findings))
        self.findings = findings


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body comes in good time, and becomes the model that is declared."""

    def __init__(
        self, scope: Scope, receive: Receive = empty_receive, send: Send = empty_send
    ) -> None:
        super().__init__(scope, sending.in_good_time(receive, sending.BODY_WITHIN_S), send)

    async def stream(self) -> AsyncGenerator[bytes, None]:
        try:
            async for part in super().stream():
                yield part
        except InternalServerException as error:  # so the framework tells a caller who is gone
            raise MalformedBody("the body ended before it was complete") from error

    async def json(self) -> Any:
        agreed_media_type(self, JSON)
        field = self.route_handler.parsed_fn_signature.parameters["data"]
        return read_body(field.annotation, await self.body())


def agreed_media_type(request: Request[Any, Any, Any], *accepted: str) -> str:
    """Media type of the body, one of those accepted, in UTF-8; raises UnsupportedMediaType."""
    media_type, options = request.content_type
    if media_type not in accepted or options.get("charset", "utf-8").casefold() != "utf-8":
        raise UnsupportedMediaType(request.headers.get("content-type", ""), accepted)
    return media_type


def read_body(model: type[Model], body: bytes) -> Model:
    """The model that a JSON body spells; raises MalformedBody or InvalidRequest."""
    _refuse_what_is_not_plain_json(body)
    return read_plain(model, body)


def read_plain(model: type[Model], body: bytes) -> Model:
    """As `read_body`, of JSON that is known to be plain."""
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        details = error.errors(include_url=False)
        if details[0]["type"] == "json_invalid":
            raise MalformedBody(details[0]["msg"]) from error
        raise InvalidRequest(*(_finding(each) for each in details)) from error


def _refuse_what_is_not_plain_json(body: bytes) -> None:
    """Refuse another encoding than UTF-8, NaN and infinities, and keys that occur twice."""
    try:
        json.loads(
            body.decode("utf-8"),
            object_pairs_hook=_refuse_repeated_keys,
            parse_constant=_refuse_constant,
            # Numbers are only looked at for their place: a long one must cost nothing here.
            parse_int=str,
            parse_float=str,
        )
    except RecursionError:
        raise MalformedBody("objects and arrays are nested too deeply") from None
    except ValueError as error:
        raise MalformedBody(str(error)) from error


def _refuse_repeated_keys(pairs: list[tuple[str, Any]]) -> None:
    seen: set[str] = set()
    for key, _ in pairs:
        if key in seen:
            raise MalformedBody(f"the key {key!r} occurs twice in one object")
        seen.add(key)


def _refuse_constant(name: str) -> NoReturn:
    raise MalformedBody(f"{name} is not a number in JSON")


# What pydantic calls a fault -> what to do about it.
_REMEDIES: Final = {
    "missing": "send this field",
    "extra_forbidden": "leave this field out, or look its name up in the description at /schema",
    "float_type": "send a JSON number, without quotes",
    "int_type": "send a whole JSON number, without quotes or fraction",
    "bool_type": "send true or false, without quotes",
    "string_type": "send a JSON string",
    "finite_number": "send a finite number",
    "enum": "send one of the values named",
    "literal_error": "send one of the values named",
    "string_pattern_mismatch": "send text of the form described at /schema",
    "torque_unit": f"use one of {', '.join(UNITS)}",
    "date_parsing": "send a date as YYYY-MM-DD",
    "date_type": "send a date as YYYY-MM-DD, in quotes",
}


def _finding(details: ErrorDetails) -> Finding:
    text = details["msg"].removeprefix("Value error, ")
    return Finding(
        field=json_pointer(*details["loc"]),
        detail=text[:1].lower() + text[1:],
        remedy=_REMEDIES.get(details["type"], "send a value of the form described at /schema"),
    )


def json_pointer(*tokens: str | int) -> str:
    """RFC 6901 pointer to a place in a body; empty for the whole."""
    escaped = (str(token).replace("~", "~0").replace("/", "~1") for token in tokens)
    return "".join(f"/{token}" for token in escaped)
