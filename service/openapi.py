"""The description of the API, OpenAPI 3.1: paths from the routes, bodies from the models.

The framework supplies paths and parameters. Bodies come from pydantic's own JSON Schema, which
says what is enforced: that no other fields are allowed, the bounds, the patterns. Problems follow
from an operation's parameters and its own list; examples come from a file that a test replays
against the service.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from typing import Any, Final

from litestar import Litestar, Response, get
from litestar.handlers import HTTPRouteHandler
from litestar.openapi.config import OpenAPIConfig
from litestar.openapi.spec import Schema
from litestar.plugins import OpenAPISchemaPlugin
from litestar.routes import HTTPRoute
from litestar.typing import FieldDefinition
from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaMode, models_json_schema

from service.api import problem_kinds as kinds
from service.api.admission import SESSION_COOKIE, needed_scope
from service.api.operations import TextBody, Told, tells, told_by
from service.api.problem_kinds import Kind
from service.api.problems import MEDIA_TYPE as PROBLEM
from service.api.routes import HANDLERS, dependencies
from service.openapi_links import links_from
from service.schemas.problems import ProblemAnswer

_ABOUT: Final = """Calibration drift of torque wrenches: what each check found, how each wrench
drifts and scatters, when it is due, and what its next pull risks.

Torque is a value with a unit. Deviations are in % of reading with the sign of ISO 6789: positive
means that the wrench delivers less than it says. Instants are RFC 3339 with an offset and come back
in UTC. A problem is RFC 9457, and its `type` leads to its description.
"""
_MODELS: Final = "#/components/schemas/{model}"
_EVERYWHERE: Final = (
    kinds.BAD_REQUEST,
    kinds.UNKNOWN_HOST,
    kinds.INTERNAL_ERROR,
    kinds.STORE_BUSY,
    kinds.STORE_OUT_OF_REACH,
)
_CLOSED: Final = (kinds.NOT_ADMITTED, kinds.SCOPE_TOO_SMALL, kinds.TOO_MANY_REQUESTS)
_TOKEN: Final = "token"  # noqa: S105 - the name of a scheme
_SESSION: Final = "session"
_SECURITY_SCHEMES: Final = {
    _TOKEN: {
        "type": "http",
        "scheme": "bearer",
        "description": (
            "An access token of one shop, which decides what is seen. `security` of each operation "
            "names the scope that it needs: read asks, bench also records checks and work, manage "
            "does everything."
        ),
    },
    _SESSION: {
        "type": "apiKey",
        "in": "cookie",
        "name": SESSION_COOKIE,
        "description": (
            "What the pages hold after /sign-in; over TLS its name begins with `__Host-`. A change "
            "must say by Origin or Sec-Fetch-Site that the service's own pages ask for it."
        ),
    },
}
_WITH_BODY: Final = (
    kinds.CROSS_SITE,
    kinds.MALFORMED_BODY,
    kinds.BODY_TOO_SLOW,
    kinds.BODY_TOO_LARGE,
    kinds.UNSUPPORTED_MEDIA_TYPE,
    kinds.INVALID_REQUEST,
)
_TAG: Final = "The tag of this answer, for If-None-Match and If-Match."

Described = dict[str, Any]


@get("/schema/openapi.json", include_in_schema=False, sync_to_thread=True, opt=tells(open=True))
def openapi_json() -> Response[bytes]:
    return Response(_rendered(), media_type="application/json")


@cache
def _rendered() -> bytes:
    return description_text().encode()


def description_text() -> str:
    """The description as the text of a file, the same for the same release."""
    return json.dumps(description(), indent=2, ensure_ascii=False) + "\n"


def description() -> Described:
    """The whole description, as JSON values; the same for the same release."""
    bare = Litestar(
        HANDLERS,
        dependencies=dependencies(None),
        openapi_config=OpenAPIConfig(
            title="wrench-drift",
            version=version("wrench-drift"),
            description=_ABOUT,
            path="/unused",  # where the framework would put its own pages
        ),
        plugins=[_BodiesLater()],
    )
    described = bare.openapi_schema.to_schema()
    operations = list(_operations(bare))
    models, components = models_json_schema(
        sorted(_models(handler for _, _, handler in operations), key=lambda each: str(each)),
        schema_generator=_UntitledFields,
        ref_template=_MODELS,
    )
    described["components"]["schemas"] |= components["$defs"]
    described["components"]["examples"] = {
        slug: {"summary": kind.title, "value": _problem_example(kind)}
        for slug, kind in kinds.KINDS.items()
    }
    described["components"]["securitySchemes"] = _SECURITY_SCHEMES
    for path, method, handler in operations:
        _complete(described["paths"][path][method], handler, models)
        described["paths"][path][method]["security"] = _security(told_by(handler.opt), method)
    return described


class _BodiesLater(OpenAPISchemaPlugin):
    """Keeps the framework from describing models: pydantic does, afterwards."""

    @staticmethod
    def is_plugin_supported_type(value: Any) -> bool:
        return isinstance(value, type) and issubclass(value, BaseModel)

    def to_openapi_schema(self, field_definition: FieldDefinition, schema_creator: Any) -> Schema:
        return Schema()


class _UntitledFields(GenerateJsonSchema):
    """A field's name says what its generated title would."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def _operations(app: Litestar) -> Iterator[tuple[str, str, HTTPRouteHandler]]:
    for route in app.routes:
        if isinstance(route, HTTPRoute):
            for method, (handler, _) in route.route_handler_map.items():
                if handler.resolve_include_in_schema():
                    yield route.path_format, method.lower(), handler


def _models(
    handlers: Iterable[HTTPRouteHandler],
) -> set[tuple[type[BaseModel], JsonSchemaMode]]:
    found: set[tuple[type[BaseModel], JsonSchemaMode]] = {(ProblemAnswer, "serialization")}
    for handler in handlers:
        if sent := _sent(handler):
            found.add((sent, "validation"))
        if answered := _answered(handler):
            found.add((answered, "serialization"))
    return found


def _sent(handler: HTTPRouteHandler) -> type[BaseModel] | None:
    field = handler.parsed_fn_signature.parameters.get("data")
    return field.annotation if field is not None else told_by(handler.opt).reads


def _answered(handler: HTTPRouteHandler) -> type[BaseModel] | None:
    inner = handler.parsed_fn_signature.return_type.inner_types
    body = inner[0].annotation if inner else None
    return body if isinstance(body, type) and issubclass(body, BaseModel) else None


def _complete(
    operation: Described, handler: HTTPRouteHandler, models: Mapping[Any, Described]
) -> None:
    """Give an operation its bodies, its headers, its problems and its examples."""
    told = told_by(handler.opt)
    example = _examples().get(operation["operationId"], {})
    parameters = [_plain(parameter) for parameter in operation.get("parameters", ())]
    names = {parameter["name"] for parameter in parameters}
    for parameter in parameters:
        if parameter["name"] == "If-Match" or (
            parameter["name"] == "Idempotency-Key" and told.key_required
        ):
            parameter["required"] = True
        if parameter["name"] in example.get("parameters", {}):
            parameter["example"] = example["parameters"][parameter["name"]]
    if parameters:
        operation["parameters"] = parameters

    content = _text(told.sent)
    if sent := _sent(handler):
        of_model = _with_example(models[sent, "validation"], example, "sent")
        content = {"application/json": of_model, **content}
    if content:
        operation["requestBody"] = {"required": True, "content": content}

    status = str(handler.status_code)
    answer: Described = {"description": operation["responses"][status]["description"]}
    content = _text(told.answered)
    if answered := _answered(handler):
        of_model = _with_example(models[answered, "serialization"], example, "answer")
        content = {"application/json": of_model, **content}
    if content:
        answer["content"] = content
    if headers := _headers(names, told):
        answer["headers"] = headers
    if links := links_from(operation["operationId"]):
        answer["links"] = links
    operation["responses"] = {status: answer}
    if "If-None-Match" in names:
        operation["responses"]["304"] = {
            "description": "The caller holds this answer already.",
            "headers": {"ETag": _header(_TAG)},
        }
    operation["responses"] |= _problems(_expected(operation, names, told))


def _security(told: Told, method: str) -> list[Described]:
    """Who may; nobody in particular for an operation that is open."""
    if told.open:
        return []
    scopes = [needed_scope(told, method.upper()).value]
    return [{_TOKEN: scopes}, {_SESSION: scopes}]


def _plain(parameter: Described) -> Described:
    """A parameter without the null that no URL can carry, and without what says nothing."""
    schema = parameter.pop("schema")
    for choice in schema.pop("oneOf", ()):
        if choice != {"type": "null"}:
            schema = {**choice, **schema}
    return {
        name: value
        for name, value in {**parameter, "schema": schema}.items()
        if value is not False and value is not None
    }


def _headers(names: set[str], told: Told) -> Described:
    headers: Described = {}
    if names & {"If-None-Match", "If-Match"} or told.created:
        headers["ETag"] = _header(_TAG)
    if told.created:
        headers["Location"] = _header("The path of the new record.")
    if "Idempotency-Key" in names:
        headers["Idempotency-Replayed"] = {
            "schema": {"type": "string", "enum": ["true"]},
            "description": "Present when this is the answer kept from an earlier request.",
        }
    return headers


def _header(text: str) -> Described:
    return {"schema": {"type": "string"}, "description": text}


def _with_example(schema: Described, example: Described, part: str) -> Described:
    return {"schema": schema, **({"example": example[part]} if part in example else {})}


def _text(bodies: Mapping[str, TextBody]) -> Described:
    return {
        media_type: {
            "schema": {
                **(body.schema or {"type": "string", "minLength": 1}),
                "description": body.description,
            },
            "example": body.example,
        }
        for media_type, body in bodies.items()
    }


def _expected(operation: Described, names: set[str], told: Told) -> Iterator[Kind]:
    """The problems that an operation's parameters let one expect, and those it tells itself."""
    if "requestBody" in operation:
        yield from _WITH_BODY
    if names:
        yield kinds.INVALID_REQUEST
    if any(parameter["in"] == "path" for parameter in operation.get("parameters", ())):
        yield kinds.UNKNOWN_RECORD
    if "If-Match" in names:
        yield from (kinds.VERSION_REQUIRED, kinds.STALE_VERSION)
    if names & {"If-Match", "Idempotency-Key"}:  # it stores something
        yield kinds.STORE_FULL
    if "Idempotency-Key" in names:
        yield kinds.KEY_REUSED
    if told.key_required:
        yield kinds.KEY_MISSING
    if not told.open:
        yield from _CLOSED
    yield from told.problems
    yield from _EVERYWHERE


def _problems(expected: Iterable[Kind]) -> Described:
    by_status: dict[int, list[Kind]] = {}
    for kind in dict.fromkeys(expected):
        by_status.setdefault(kind.status, []).append(kind)
    return {
        str(status): {
            "description": " ".join(f"{kind.title} (`{kind.slug}`)." for kind in of_status),
            "content": {
                PROBLEM: {
                    "schema": {"$ref": _MODELS.format(model=ProblemAnswer.__name__)},
                    "examples": {
                        kind.slug: {"$ref": f"#/components/examples/{kind.slug}"}
                        for kind in of_status
                    },
                }
            },
        }
        for status, of_status in sorted(by_status.items())
    }


def _problem_example(kind: Kind) -> Described:
    return {
        "type": kind.type_uri,
        "title": kind.title,
        "status": kind.status,
        "detail": kind.meaning,
        "errors": [{"field": "", "row": None, "detail": kind.meaning, "remedy": kind.remedy}],
        "request": "00000000-0000-4000-8000-000000000000",
    }


@cache
def _examples() -> Mapping[str, Described]:
    text = (files("service") / "openapi_examples.json").read_text(encoding="utf-8")
    examples: Mapping[str, Described] = json.loads(text)
    return examples
