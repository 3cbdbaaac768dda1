"""What became of each row of an import."""

from typing import Self

from pydantic import Field

from service import records
from service.schemas.base import Answer


class RefusedRowAnswer(Answer):
    """One fault of one row; a row may have several."""

    row: int = Field(description="1 is the first row of data.")
    field: str = Field(description="Column of a CSV, JSON pointer into a line of NDJSON.")
    detail: str
    remedy: str


class ImportAnswer(Answer):
    """What is now stored, what was there before, and the rows that were refused."""

    stored: tuple[str, ...] = Field(description="Ids, in the order of the file.")
    already_there: tuple[str, ...] = Field(
        description="Ids of what was stored before and says the same; it counts once."
    )
    refused: tuple[RefusedRowAnswer, ...] = Field(description="Empty unless `partial` was sent.")

    @classmethod
    def of(cls, report: records.ImportReport) -> Self:
        return cls(
            stored=report.stored,
            already_there=report.already_there,
            refused=tuple(
                RefusedRowAnswer(
                    row=refused.row,
                    field=refused.field,
                    detail=refused.detail,
                    remedy=refused.remedy,
                )
                for refused in report.refused
            ),
        )
