"""The body of every problem: RFC 9457, with the members that this service adds."""

from typing import Self

from pydantic import Field

from service.findings import Finding
from service.schemas.base import Answer


class FindingAnswer(Answer):
    """One thing wrong with the request, and what to do about it."""

    field: str = Field(
        description=(
            "JSON pointer into the body (empty: the whole body), or `query:`, `path:` or `header:` "
            "and a name, or the column of a CSV."
        )
    )
    row: int | None = Field(description="Row of an import; 1 is the first row of data.")
    detail: str
    remedy: str

    @classmethod
    def of(cls, finding: Finding) -> Self:
        return cls(
            field=finding.field, row=finding.row, detail=finding.detail, remedy=finding.remedy
        )


class ProblemAnswer(Answer):
    """A problem (RFC 9457); `type` leads to its description."""

    type: str = Field(description="Relative URI of the description of this kind of problem.")
    title: str
    status: int
    detail: str
    errors: tuple[FindingAnswer, ...] = Field(
        description="Everything that is wrong, at least one entry, each with its remedy."
    )
    request: str | None = Field(
        default=None,
        description="The id of this request: its `X-Request-Id`, and `request_id` in the log.",
    )
    existing: str | None = Field(
        default=None, description="The id or serial of the record that is already there."
    )
    current_version: int | None = Field(
        default=None, description="The version that is now stored, when the one sent is stale."
    )
