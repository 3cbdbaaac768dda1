"""Numbers in cells: plain decimals with a point, nothing that only looks like one."""

import re
from math import isfinite
from typing import Final

from service.findings import Finding
from service.imports.rows import CsvRow

_DECIMAL: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE: Final = re.compile(r"[+-]?\d{1,18}", re.ASCII)


def decimal_of(word: str) -> float | None:
    """The number that a cell spells, finite; None when it spells none."""
    if not _DECIMAL.fullmatch(word):
        return None
    number = float(word)
    return number if isfinite(number) else None


def whole_of(word: str) -> int | None:
    """The whole number that a cell spells; None when it spells none."""
    return int(word) if _WHOLE.fullmatch(word) else None


class Cells:
    """The cells of one row as values, with a finding for each cell that has none."""

    def __init__(self, row: CsvRow) -> None:
        self.row = row
        self.findings: list[Finding] = []

    def decimal(self, column: str) -> float | None:
        """The number in the cell; None for an empty cell, and for one with a finding."""
        word = self.row.word(column)
        if word is None:
            return None
        number = decimal_of(word)
        if number is None:
            self.findings.append(_no_number(self.row, column, word))
        return number

    def whole(self, column: str) -> int | None:
        """The whole number in the cell; None for an empty cell, and for one with a finding."""
        word = self.row.word(column)
        if word is None:
            return None
        number = whole_of(word)
        if number is None:
            self.findings.append(_no_number(self.row, column, word))
        return number

    def required(self, *columns: str) -> None:
        """A finding for each of these columns that is empty."""
        for column in columns:
            if self.row.word(column) is None:
                self.findings.append(
                    Finding(
                        field=column,
                        detail=f"{column} is empty",
                        remedy="fill it in",
                        row=self.row.number,
                    )
                )


def _no_number(row: CsvRow, column: str, word: str) -> Finding:
    remedy = "write a number such as 19.83, without its unit"
    if "," in word:
        remedy = "write the number with a decimal point and without separators between thousands"
    return Finding(field=column, detail=f"{word!r} is not a number", remedy=remedy, row=row.number)
