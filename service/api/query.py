"""Queries read strictly: only parameters that the operation names, each once, none of them `null`.

The framework alone would pass over a parameter it does not know, so that a misspelt `as_of` gave
the answer for another day; it would take the last of two, and the text `null` for an absent choice.
"""

from functools import cache
from typing import Any

from litestar import Request
from litestar.enums import ParamType
from litestar.handlers import HTTPRouteHandler
from litestar.params import ParameterKwarg

from service.api.body import InvalidRequest
from service.findings import Finding


async def refuse_loose_query(request: Request[Any, Any, Any]) -> None:
    """Raises InvalidRequest with every parameter that cannot be meant as it came."""
    handler = request.route_handler
    if not handler.resolve_include_in_schema():
        return
    declared = _declared(handler)
    findings = []
    for name in request.query_params:
        values = request.query_params.getall(name)
        if name not in declared:
            known = ", ".join(sorted(declared)) or "no parameters at all"
            fault = ("this operation has no such parameter", f"it takes {known}")
        elif len(values) > 1:
            fault = (f"it came {len(values)} times", "send it once")
        elif not declared[name] and values[0].casefold() == "null":
            fault = (f"{values[0]!r} is none of its values", "leave it out, or send a value")
        else:
            continue
        findings.append(Finding(field=f"query:{name}", detail=fault[0], remedy=fault[1]))
    if findings:
        raise InvalidRequest(*findings)


@cache
def _declared(handler: HTTPRouteHandler) -> dict[str, bool]:
    """The query parameters of a handler, and whether each is free text."""
    return {
        field.kwarg_definition.name or name: str in (field.annotation, *field.args)
        for name, field in handler.parsed_fn_signature.parameters.items()
        if isinstance(field.kwarg_definition, ParameterKwarg)
        and field.kwarg_definition.param_type is ParamType.QUERY
    }
