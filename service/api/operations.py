"""What a handler tells the description beyond its types and parameters."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from pydantic import BaseModel

from service.access.caller import TokenScope
from service.api.problem_kinds import Kind

_KEY: Final = "told"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextBody:
    """A body that is not JSON of a model.

    schema  None: text that is not empty
    """

    description: str
    example: Any
    schema: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Kept in a handler's `opt`.

    problems      those that its parameters do not let one expect
    created       the answer says where the new record is, in Location
    key_required  the operation refuses to work without an Idempotency-Key
    reads         the model of a JSON body that the handler reads itself, beside other bodies
    sent          bodies it reads that are not JSON, by media type
    answered      what it answers with that is not JSON, by media type
    scope         the least scope that may; None: read for a GET, manage for the rest
    open          anybody may, without a token: it shows nothing of any shop
    """

    problems: tuple[Kind, ...] = ()
    created: bool = False
    key_required: bool = False
    reads: type[BaseModel] | None = None
    sent: Mapping[str, TextBody] = field(default_factory=dict)
    answered: Mapping[str, TextBody] = field(default_factory=dict)
    scope: TokenScope | None = None
    open: bool = False


def tells(*problems: Kind, **told: Any) -> dict[str, Any]:
    """The `opt` of a handler; arguments as the fields of Told."""
    return {_KEY: Told(problems=problems, **told)}


def told_by(opt: Mapping[str, Any]) -> Told:
    told = opt.get(_KEY, Told())
    assert isinstance(told, Told)  # noqa: S101 - only `tells` writes this key
    return told
