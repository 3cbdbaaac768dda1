"""Comma-separated text as rows of cells, all text; the header is held against what is expected."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.findings import Finding, Refused

MOST_COLUMNS: Final = 200  # more are no list of anything, and each would be told by itself


@dataclass(frozen=True, slots=True)
class CsvRow:
    """Cells by column; an empty cell is not there. `number` 1 is the first row of data."""

    number: int
    cells: Mapping[str, str]

    def text(self, column: str) -> str | None:
        """The cell as it was written."""
        return self.cells.get(column)

    def word(self, column: str) -> str | None:
        """The cell without blanks around it, for what is not free text."""
        cell = self.cells.get(column)
        return (cell.strip() or None) if cell is not None else None


def read_rows(
    data: bytes, *, required: Sequence[str], optional: Sequence[str]
) -> tuple[list[CsvRow], list[Finding]]:
    """The rows that can be read, and a finding for each one that cannot.

    Raises Refused when the file as a whole cannot be read: encoding, header, quotes.
    """
    reader = csv.reader(io.StringIO(_decode(data), newline=""), strict=True)
    try:
        header = [name.strip() for name in next(reader, [])]
        _require_header(header, required, optional)
        return _rows(reader, header)
    except csv.Error as error:
        raise Refused(
            [
                Finding(
                    field="",
                    detail=f"line {reader.line_num} is no CSV: {error}",
                    remedy='write CSV as in RFC 4180: cells with commas or quotes inside "quotes"',
                )
            ]
        ) from error


def _decode(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise Refused(
            [
                Finding(
                    field="",
                    detail=f"line {line} is not text in UTF-8",
                    remedy="save the file as CSV in UTF-8",
                )
            ]
        ) from error


def _require_header(header: list[str], required: Sequence[str], optional: Sequence[str]) -> None:
    known = [*required, *optional]
    missing = [name for name in required if name not in header]
    if len(header) <= 1 and missing:
        separators = [mark for mark in ";\t|" if any(mark in name for name in header)]
        raise Refused(
            [
                Finding(
                    field="",
                    detail=f"the first line has {separators[0]!r} between the names"
                    if separators
                    else "the first line is not a header",
                    remedy="separate cells by commas; the first line is " + ",".join(known),
                )
            ]
        )
    if findings := column_findings(header, required, optional, listed="the first line is"):
        raise Refused(findings)


def column_findings(
    names: Sequence[str], required: Sequence[str], optional: Sequence[str], *, listed: str
) -> list[Finding]:
    """What is wrong with the columns of a table.

    listed   how a list of names begins in a remedy
    """
    known = [*required, *optional]
    if len(names) > MOST_COLUMNS:
        return [
            Finding(
                field="",
                detail=f"it has more than {MOST_COLUMNS} columns",
                remedy=f"{listed} {','.join(known)}",
            )
        ]
    findings = [
        Finding(
            field=name,
            detail=f"the column {name} is missing",
            remedy=f"add it; {listed} {','.join(required)}",
        )
        for name in required
        if name not in names
    ]
    findings += [
        Finding(
            field=name,
            detail=f"nothing is known of a column {name!r}",
            remedy="leave it out, or give it one of these names: " + ", ".join(known),
        )
        for name in dict.fromkeys(names)
        if name not in known
    ]
    findings += [
        Finding(field=name, detail=f"the column {name} comes twice", remedy="leave one out")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]
    return findings


def _rows(reader: Iterator[list[str]], header: Sequence[str]) -> tuple[list[CsvRow], list[Finding]]:
    rows: list[CsvRow] = []
    findings: list[Finding] = []
    for number, cells in enumerate(reader, start=1):
        if not any(cells):
            continue  # spreadsheets leave such lines at the end
        if len(cells) != len(header):
            findings.append(
                Finding(
                    field="",
                    detail=f"{len(cells)} cells under {len(header)} columns",
                    remedy="give each column its cell, empty where there is nothing to say",
                    row=number,
                )
            )
            continue
        rows.append(CsvRow(number, {n: c for n, c in zip(header, cells, strict=True) if c}))
    return rows, findings
