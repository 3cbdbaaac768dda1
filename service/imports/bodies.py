"""Rows turned into the bodies that the API takes, so that both roads keep the same rules."""

import dataclasses
import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel

from service.api.body import InvalidRequest, MalformedBody, read_body, read_plain
from service.findings import Finding, Refused

Model = TypeVar("Model", bound=BaseModel)

# Where a JSON pointer into the body stands in the file: the field to name, and its row; no row in
# a list that came as JSON.
Locate = Callable[[str], tuple[str, int | None]]


def read_as(model: type[Model], body: Mapping[str, Any] | bytes, locate: Locate) -> Model:
    """The model of a body; raises Refused with findings that name field and row of the file."""
    try:
        if isinstance(body, bytes):
            return read_body(model, body)
        return read_plain(model, json.dumps(body).encode())  # plain JSON, being our own
    except InvalidRequest as error:
        raise Refused(relocated(error.findings, locate)) from error
    except MalformedBody as error:
        field, row = locate("")
        finding = Finding(field=field, detail=str(error), remedy="send plain JSON", row=row)
        raise Refused([finding]) from error


def relocated(findings: Iterable[Finding], locate: Locate) -> list[Finding]:
    """The findings about a body as findings about the file that it came from."""
    moved = []
    for finding in findings:
        field, row = locate(finding.field)
        moved.append(dataclasses.replace(finding, field=field, row=row))
    return moved


def without_nothing(body: Mapping[str, Any]) -> dict[str, Any]:
    """The body without members that are None: an empty cell is a member left out."""
    return {name: value for name, value in body.items() if value is not None}
