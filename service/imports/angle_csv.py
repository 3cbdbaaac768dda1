"""CSV of angle checks, one row a reading, all or nothing.

Rows with the same wrench, kind, direction, time and tester or card form one check, wherever in the
file they stand; rows of it with the same target form one point. An empty `indicated_deg` is the
target.
"""

import dataclasses
import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from service.angle_intake import AngleCheckDraft, admit_angle_check
from service.angle_records import AngleCheck
from service.findings import Finding, Refused
from service.imports.bodies import Locate, read_as, relocated, without_nothing
from service.imports.cells import Cells
from service.imports.check_csv import grouped, unlike
from service.imports.rows import CsvRow, read_rows
from service.recording import record_angle_check
from service.records import ImportReport
from service.schemas.angle_checks import AngleCheckInput
from service.store import ShopStore

COLUMNS: Final = (
    "wrench", "kind", "direction", "performed_at", "tester", "operator",
    "expanded_uncertainty_deg", "coverage_factor", "target_deg", "reference_deg", "indicated_deg",
    "card_issuer", "card_certificate", "card_issued_on",
)  # fmt: skip
# What every row of a check says alike, beside what makes it one check.
_ALIKE: Final = ("operator", "expanded_uncertainty_deg", "coverage_factor", "card_issued_on")


@dataclass(slots=True)
class _Point:
    """Cells of the rows at one target."""

    target_deg: float
    reference_deg: list[float] = field(default_factory=list)
    indicated_deg: list[float] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)


def import_angle_checks(
    shop: ShopStore, data: bytes, *, now: datetime, confirm_unusual: bool = False
) -> ImportReport:
    """Ids of the angle checks now stored, and of those that were there and say the same.

    confirm_unusual   stand by readings that look like a slip, in the whole file

    Raises Refused with every finding, named by column and row.
    """
    rows, findings = read_rows(data, required=COLUMNS, optional=())
    stored: list[str] = []
    already_there: list[str] = []
    groups = list(grouped(rows))
    if not groups and not findings:
        findings.append(
            Finding(field="", detail="there is no angle check in it", remedy="send at least one")
        )
    for group in groups:
        try:
            check, there = _admitted(shop, group, now, confirm_unusual=confirm_unusual)
        except Refused as refused:
            findings += refused.findings
            continue
        if there:
            already_there.append(check.id)
        else:
            stored.append(record_angle_check(shop, check, person=None).id)
    if findings:
        raise Refused(sorted(findings, key=lambda finding: finding.row or 0))
    return ImportReport(stored=tuple(stored), already_there=tuple(already_there))


def _admitted(
    shop: ShopStore, rows: list[CsvRow], now: datetime, *, confirm_unusual: bool
) -> tuple[AngleCheck, bool]:
    """The check of these rows, and whether it is stored already."""
    draft, locate = _draft(rows, confirm_unusual=confirm_unusual)
    serial = rows[0].word("wrench") or ""
    wrench = shop.wrenches.find(serial)
    if wrench is None:
        raise Refused(
            [
                Finding(
                    field="wrench",
                    detail=f"the shop has no wrench {serial!r}",
                    remedy="register the wrench first, or correct the serial",
                    row=rows[0].number,
                )
            ]
        )
    try:
        check = admit_angle_check(
            draft,
            wrench=wrench,
            tester=shop.testers.find(draft.tester) if draft.tester is not None else None,
            policy=shop.policy.get(),
            now=now,
        )
    except Refused as refused:
        raise Refused(relocated(refused.findings, locate)) from refused
    there = shop.angle_checks.same_as(check)
    if there is None:
        return check, False
    as_there = dataclasses.replace(
        check, id=there.id, replaces=there.replaces, recorded_at=there.recorded_at
    )
    if as_there != there:
        raise Refused(
            [
                Finding(
                    field="wrench",
                    detail=f"angle check {there.id} of that time says something else",
                    remedy="void the one that is wrong, with the reason, or leave these rows out",
                    row=rows[0].number,
                )
            ]
        )
    return there, True


def _draft(rows: list[CsvRow], *, confirm_unusual: bool) -> tuple[AngleCheckDraft, Locate]:
    first = rows[0]
    head = Cells(first)
    head.required("wrench", "kind", "direction", "performed_at")
    card = without_nothing(
        {
            "issuer": first.text("card_issuer"),
            "certificate": first.text("card_certificate"),
            "issued_on": first.word("card_issued_on"),
        }
    )
    body: dict[str, Any] = {
        "kind": first.word("kind"),
        "direction": first.word("direction"),
        "performed_at": first.word("performed_at"),
        "tester": first.word("tester"),
        "operator": first.text("operator"),
        "expanded_uncertainty_deg": head.decimal("expanded_uncertainty_deg"),
        "coverage_factor": head.decimal("coverage_factor"),
        "card": card or None,
        "confirm_unusual": confirm_unusual,
    }
    findings = [finding for row in rows[1:] for finding in unlike(row, first, _ALIKE)]
    findings += head.findings
    points = _points(rows, findings)
    if findings:
        raise Refused(findings)
    body["points"] = [
        {
            "target_deg": point.target_deg,
            "reference_deg": point.reference_deg,
            "indicated_deg": point.indicated_deg,
        }
        for point in points
    ]

    def locate(pointer: str) -> tuple[str, int]:
        match = _IN_POINT.fullmatch(pointer)
        if match:
            point = points[int(match[1])]
            row = point.rows[int(match[3])] if match[3] else point.rows[0]
            return match[2] or "reference_deg", row
        if pointer == "/card":
            return "card_issuer", first.number
        if pointer in ("", "/points"):
            return "wrench", first.number
        return pointer.removeprefix("/").replace("/", "_"), first.number

    return read_as(AngleCheckInput, without_nothing(body), locate).draft(), locate


def _points(rows: list[CsvRow], findings: list[Finding]) -> list[_Point]:
    points: dict[float, _Point] = {}
    for row in rows:
        cells = Cells(row)
        cells.required("target_deg", "reference_deg")
        target, reference = cells.decimal("target_deg"), cells.decimal("reference_deg")
        indicated = cells.decimal("indicated_deg")
        findings += cells.findings
        if target is None or reference is None:
            continue
        point = points.setdefault(target, _Point(target))
        point.reference_deg.append(reference)
        point.indicated_deg.append(target if indicated is None else indicated)
        point.rows.append(row.number)
    return list(points.values())


_IN_POINT: Final = re.compile(
    r"/points/(\d+)(?:/(target_deg|reference_deg|indicated_deg))?(?:/(\d+))?"
)
