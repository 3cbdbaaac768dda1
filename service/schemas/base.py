"""The two bases of every body, and the scalar types that bodies share."""

import re
from datetime import MAXYEAR, MINYEAR, UTC, datetime
from typing import Annotated, Any, Final

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from pydantic.json_schema import WithJsonSchema

# RFC 3339, section 5.6. The offset may be missing here, so that the rule against naive times is
# stated once, with the other rules about checks.
_INSTANT: Final = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})?", re.ASCII
)


class Input(BaseModel):
    """A body that a caller sends: no coercion, no NaN, no field that is not named."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def Unchanged() -> Any:  # noqa: N802 - stands where a field's default stands
    """A field that may be left out: only what was sent is in `model_fields_set`."""

    def without_default(schema: dict[str, Any]) -> None:
        schema.pop("default", None)

    return Field(default=None, json_schema_extra=without_default)


class Answer(BaseModel):
    """A body that the service sends. NaN is a defect, never an answer."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


def parse_instant(text: object) -> datetime:
    """Instant from RFC 3339 text, in UTC; without an offset it stays naive. Raises ValueError."""
    if not isinstance(text, str) or not _INSTANT.fullmatch(text):
        raise ValueError("not a date-time of RFC 3339, such as 2026-05-04T08:10:00Z")
    instant = datetime.fromisoformat(text.upper())
    if not MINYEAR < instant.year < MAXYEAR:
        # An offset, the shop's too, could lead out of the calendar.
        raise ValueError("outside the years that can be told in every time zone")
    return instant if instant.tzinfo is None else instant.astimezone(UTC)


Instant = Annotated[
    datetime,
    BeforeValidator(parse_instant),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
UtcInstant = Annotated[AwareDatetime, Field(description="RFC 3339, UTC.")]

# Something to read, and no control characters: this is text for labels and lists.
_PRINTABLE: Final = r"^[^\x00-\x1f\x7f]*[^\x00-\x20\x7f][^\x00-\x1f\x7f]*$"

# Twenty turns: far beyond any step, and every sum of them stays small.
AngleDeg = Annotated[float, Field(gt=0, le=7200)]

Line = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=_PRINTABLE)]
Reason = Annotated[str, StringConstraints(min_length=3, max_length=500, pattern=_PRINTABLE)]
