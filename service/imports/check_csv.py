"""CSV of checks, one row a reading.

Rows with the same wrench, kind, direction, time and tester or card form one check, wherever in the
file they stand; rows of it with the same target form one point, in the order of the file. An empty
`indicated` is the target. `unit` is that of the reading, and of target and indicated value too
unless the optional columns `target_unit` and `indicated_unit` say otherwise.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from service.findings import Finding, Refused
from service.imports.bodies import read_as, without_nothing
from service.imports.cells import Cells
from service.imports.rows import CsvRow, read_rows
from service.imports.sent import SentCheck
from service.schemas.base import parse_instant
from service.schemas.checks import CheckInput

COLUMNS: Final = (
    "wrench", "kind", "direction", "performed_at", "tester", "operator", "temperature_c",
    "cycle_count", "target", "reading", "indicated", "unit", "card_issuer", "card_certificate",
    "card_issued_on",
)  # fmt: skip
OPTIONAL_COLUMNS: Final = (
    "target_unit", "indicated_unit", "card_expanded_uncertainty_pct", "card_coverage_factor",
    "card_serial", "card_model", "card_edition", "card_mpd_pct", "card_mpd_basis",
)  # fmt: skip

KEY: Final = (
    "wrench", "kind", "direction", "performed_at", "tester", "card_issuer", "card_certificate",
)  # fmt: skip
# What every row of a check says alike.
ALIKE: Final = (
    "operator", "temperature_c", "cycle_count", "card_issued_on",
    "card_expanded_uncertainty_pct", "card_coverage_factor", "card_serial", "card_model",
    "card_edition", "card_mpd_pct", "card_mpd_basis",
)  # fmt: skip


@dataclass(slots=True)
class _Point:
    """Cells of the rows at one target, still as values of one row each."""

    target: float
    target_unit: str
    unit: str
    indicated_unit: str
    readings: list[float] = field(default_factory=list)
    indicated: list[float | None] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)


def read_check_csv(data: bytes, *, confirm_unusual: bool) -> tuple[list[SentCheck], list[Finding]]:
    """The checks that can be read, and the findings about the others.

    Raises Refused when the file as a whole cannot be read.
    """
    rows, findings = read_rows(data, required=COLUMNS, optional=OPTIONAL_COLUMNS)
    sent, of_checks = checks_of_rows(rows, confirm_unusual=confirm_unusual)
    return sent, findings + of_checks


def checks_of_rows(
    rows: Iterable[CsvRow], *, confirm_unusual: bool
) -> tuple[list[SentCheck], list[Finding]]:
    """The checks that can be read of rows of cells, and the findings about the others."""
    sent: list[SentCheck] = []
    findings: list[Finding] = []
    for group in grouped(rows):
        try:
            sent.append(_check(group, confirm_unusual=confirm_unusual))
        except Refused as refused:
            findings.extend(refused.findings)
    return sent, findings


def grouped(rows: Iterable[CsvRow]) -> Iterable[list[CsvRow]]:
    """The rows of each check, by the columns that make it one."""
    groups: dict[tuple[object, ...], list[CsvRow]] = {}
    # Most rows repeat the cells of the row before, letter for letter.
    as_written: dict[tuple[str | None, ...], list[CsvRow]] = {}
    for row in rows:
        written = tuple(map(row.cells.get, KEY))
        group = as_written.get(written)
        if group is None:
            key = tuple(
                _instant(row) if column == "performed_at" else row.word(column) for column in KEY
            )
            group = as_written[written] = groups.setdefault(key, [])
        group.append(row)
    return groups.values()


def _instant(row: CsvRow) -> object:
    """The instant, so that one written with another offset is the same; else the text itself."""
    word = row.word("performed_at")
    try:
        return parse_instant(word)
    except ValueError:
        return word  # the body's model says what is wrong with it


def _check(rows: list[CsvRow], *, confirm_unusual: bool) -> SentCheck:
    first = rows[0]
    findings = [finding for row in rows[1:] for finding in unlike(row, first, ALIKE)]
    head = Cells(first)
    head.required("wrench", "kind", "direction", "performed_at")
    temperature_c, cycle_count = head.decimal("temperature_c"), head.whole("cycle_count")
    card = without_nothing(
        {
            "issuer": first.text("card_issuer"),
            "certificate": first.text("card_certificate"),
            "issued_on": first.word("card_issued_on"),
            "expanded_uncertainty_pct": head.decimal("card_expanded_uncertainty_pct"),
            "coverage_factor": head.decimal("card_coverage_factor"),
            "serial": first.text("card_serial"),
            "model": first.text("card_model"),
            "edition": first.word("card_edition"),
            "mpd": _mpd(head),
        }
    )
    findings += head.findings
    points, of_points = _points(rows)
    findings += of_points
    if findings:
        raise Refused(findings)

    body = without_nothing(
        {
            "kind": first.word("kind"),
            "direction": first.word("direction"),
            "performed_at": first.word("performed_at"),
            "tester": first.word("tester"),
            "operator": first.text("operator"),
            "temperature_c": temperature_c,
            "cycle_count": cycle_count,
            "points": [_point_body(point) for point in points],
            "card": card or None,
            "confirm_unusual": confirm_unusual,
        }
    )

    def locate(pointer: str) -> tuple[str, int]:
        return _place(pointer, first.number, points)

    draft = read_as(CheckInput, body, locate).draft()
    return SentCheck(wrench=first.word("wrench") or "", draft=draft, locate=locate)


def _mpd(head: Cells) -> dict[str, Any] | None:
    """The tolerance on the card; a basis without a number is refused with the number's column."""
    percent, basis = head.decimal("card_mpd_pct"), head.row.word("card_mpd_basis")
    return without_nothing({"percent": percent, "basis": basis}) or None


def unlike(row: CsvRow, first: CsvRow, alike: Sequence[str]) -> Iterable[Finding]:
    """A finding for each of these columns in which a row differs from the first of its check."""
    if [*map(row.cells.get, alike)] == [*map(first.cells.get, alike)]:
        return  # as nearly every row
    for column in alike:
        if row.cells.get(column) != first.cells.get(column):
            yield Finding(
                field=column,
                detail=f"{column} differs from row {first.number} of the same check",
                remedy="say the same in every row of a check, or give the checks their own times",
                row=row.number,
            )


def _points(rows: list[CsvRow]) -> tuple[list[_Point], list[Finding]]:
    points: dict[tuple[float, str], _Point] = {}
    findings: list[Finding] = []
    for row in rows:
        cells = Cells(row)
        cells.required("target", "reading", "unit")
        target, reading = cells.decimal("target"), cells.decimal("reading")
        indicated = cells.decimal("indicated")
        unit = row.word("unit")
        findings += cells.findings
        if target is None or reading is None or unit is None:
            continue
        target_unit = row.word("target_unit") or unit
        indicated_unit = row.word("indicated_unit") or unit
        point = points.setdefault(
            (target, target_unit), _Point(target, target_unit, unit, indicated_unit)
        )
        for column, here, there in (
            ("unit", unit, point.unit),
            ("indicated_unit", indicated_unit, point.indicated_unit),
        ):
            if here != there:
                findings.append(
                    Finding(
                        field=column,
                        detail=f"{here!r} at a target that has {there!r} in row {point.rows[0]}",
                        remedy="give the readings at one target in one unit",
                        row=row.number,
                    )
                )
        point.readings.append(reading)
        point.indicated.append(indicated)
        point.rows.append(row.number)
    for point in points.values():
        findings += _half_indicated(point)
    return list(points.values()), findings


def _half_indicated(point: _Point) -> Iterable[Finding]:
    """An empty cell stands for the target, which has to be in the unit of the cells beside it."""
    if point.indicated_unit == point.target_unit or not any(point.indicated):
        return
    for value, row in zip(point.indicated, point.rows, strict=True):
        if value is None:
            yield Finding(
                field="indicated",
                detail=f"indicated is empty, while other rows at this target have it in "
                f"{point.indicated_unit}",
                remedy="fill it in",
                row=row,
            )


def _point_body(point: _Point) -> dict[str, Any]:
    body: dict[str, Any] = {
        "target": {"value": point.target, "unit": point.target_unit},
        "readings": {"values": point.readings, "unit": point.unit},
    }
    if any(value is not None for value in point.indicated):
        body["indicated"] = {
            "values": [point.target if value is None else value for value in point.indicated],
            "unit": point.indicated_unit,
        }
    return body


# Patterns of pointers into a point, and the column that each stands in.
_IN_POINT: Final = (
    (re.compile(r"/points/(\d+)/readings/values/(\d+)"), "reading"),
    (re.compile(r"/points/(\d+)/indicated/values/(\d+)"), "indicated"),
    (re.compile(r"/points/(\d+)/readings/unit"), "unit"),
    (re.compile(r"/points/(\d+)/indicated/unit"), "indicated_unit"),
    (re.compile(r"/points/(\d+)/target/unit"), "target_unit"),
    (re.compile(r"/points/(\d+)/target(?:/value)?"), "target"),
    (re.compile(r"/points/(\d+)(?:/readings(?:/values)?)?"), "reading"),
    (re.compile(r"/points/(\d+)/indicated(?:/values)?"), "indicated"),
)


def _place(pointer: str, first_row: int, points: list[_Point]) -> tuple[str, int]:
    for pattern, column in _IN_POINT:
        match = pattern.fullmatch(pointer)
        if match:
            point = points[int(match[1])]
            row = point.rows[int(match[2])] if pattern.groups == 2 else point.rows[0]
            if column.endswith("_unit") and getattr(point, column) == point.unit:
                column = "unit"
            return column, row
    if pointer == "/points":
        return "reading", first_row
    if pointer == "/card":
        return "card_issuer", first_row
    if pointer.startswith("/card/mpd"):
        return "card_mpd_basis" if pointer.endswith("basis") else "card_mpd_pct", first_row
    return pointer.removeprefix("/").replace("/", "_"), first_row
