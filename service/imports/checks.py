"""Many checks from one file: all or nothing, or what can be stored with a report of the rest."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import assert_never

from service.findings import Finding, Refused
from service.imports.bodies import relocated
from service.imports.check_csv import COLUMNS, OPTIONAL_COLUMNS, checks_of_rows, read_check_csv
from service.imports.check_ndjson import read_check_ndjson
from service.imports.parquet_cells import read_cells, rows_of
from service.imports.plain_csv import plain_csv
from service.imports.plain_file import PlainFile
from service.imports.plain_frame import NUMBERS
from service.imports.plain_ndjson import plain_ndjson
from service.imports.plain_parquet import plain_parquet
from service.imports.sent import SentCheck
from service.intake import (
    CycleCounts,
    admit_check,
    check_to_store,
    head_findings,
    is_recorded_as,
)
from service.points_at_once import NotPlain, points_at_once
from service.recording import record_checks
from service.records import Check, ImportReport, RefusedRow, Tester, Wrench
from service.store import ShopStore
from service.store.check_rows import NaturalKey


class CheckFormat(StrEnum):
    """Formats of a file of checks, by media type."""

    CSV = "text/csv"
    NDJSON = "application/x-ndjson"
    PARQUET = "application/vnd.apache.parquet"


def import_checks(
    shop: ShopStore,
    data: bytes,
    file_format: CheckFormat,
    *,
    now: datetime,
    partial: bool = False,
    confirm_unusual: bool = False,
    person: str | None = None,
) -> ImportReport:
    """What became of the file's checks, stored in the transaction of `shop`.

    partial           store the checks that keep the rules and report the rows of the others; else
                      one finding refuses the file
    confirm_unusual   stand by readings that look like a slip, in the whole file; lines of NDJSON
                      can do so each for itself
    person            who sends the file, for the trail; None: the operator named by each check

    A check that is stored already, and says the same, counts once and is reported as there. One
    that says something else is a finding. Findings name the column, or in NDJSON the JSON pointer.

    Raises Refused when the file as a whole cannot be read and, unless `partial`, with the findings
    of all rows.
    """
    file = _opened(data, file_format)
    try:
        intake = _Intake(shop, now)
        intake.take_plain(file.plain(confirm_unusual))
    except NotPlain:
        return _row_by_row(
            shop,
            file,
            now=now,
            partial=partial,
            confirm_unusual=confirm_unusual,
            person=person,
        )
    record_checks(shop, intake.admitted, person=person, now=now)
    return ImportReport(stored=tuple(check.id for check in intake.admitted))


@dataclass(frozen=True, slots=True)
class _Opened:
    """A file with its two roads, each told whether to stand by readings that look like a slip.

    plain   in columns; raises NotPlain
    by_row  what can be read, and the findings about the rest; raises Refused
    """

    plain: Callable[[bool], PlainFile]
    by_row: Callable[[bool], tuple[list[SentCheck], list[Finding]]]


def _opened(data: bytes, file_format: CheckFormat) -> _Opened:
    """Raises Refused for a Parquet file that cannot be read."""
    match file_format:
        case CheckFormat.CSV:
            return _Opened(
                lambda confirm: plain_csv(data, confirm_unusual=confirm),
                lambda confirm: read_check_csv(data, confirm_unusual=confirm),
            )
        case CheckFormat.NDJSON:
            return _Opened(
                lambda confirm: plain_ndjson(data, confirm_unusual=confirm),
                lambda confirm: read_check_ndjson(data, confirm_unusual=confirm),
            )
        case CheckFormat.PARQUET:
            cells = read_cells(data, required=COLUMNS, optional=OPTIONAL_COLUMNS, numbers=NUMBERS)
            return _Opened(
                lambda confirm: plain_parquet(cells, confirm_unusual=confirm),
                lambda confirm: checks_of_rows(rows_of(cells), confirm_unusual=confirm),
            )
        case _:
            assert_never(file_format)


def _row_by_row(
    shop: ShopStore,
    file: _Opened,
    *,
    now: datetime,
    partial: bool,
    confirm_unusual: bool,
    person: str | None,
) -> ImportReport:
    """As `import_checks`, for any file: it reads what can be read, and words what is wrong."""
    sent, findings = file.by_row(confirm_unusual)
    if not sent and not findings:
        raise Refused(
            [Finding(field="", detail="there is no check in it", remedy="send at least one")]
        )
    intake = _Intake(shop, now)
    already_there = intake.take(sent)
    findings += intake.findings
    findings.sort(key=lambda finding: finding.row or 0)
    if findings and not partial:
        raise Refused(findings)
    record_checks(shop, intake.admitted, person=person, now=now, corrections=intake.corrections)
    return ImportReport(
        stored=tuple(check.id for check in intake.admitted),
        already_there=tuple(already_there),
        refused=tuple(
            RefusedRow(
                row=finding.row or 0,
                field=finding.field,
                detail=finding.detail,
                remedy=finding.remedy,
            )
            for finding in findings
        ),
    )


class _Intake:
    """Checks of one file against the rules, the store and one another."""

    def __init__(self, shop: ShopStore, now: datetime) -> None:
        self._shop = shop
        self._now = now
        self._policy = shop.policy.get()
        self._wrenches: dict[str, Wrench | None] = {}
        self._testers: dict[str, Tester | None] = {}
        self._counts: dict[str, CycleCounts] = {}
        self.admitted: list[Check] = []
        self.findings: list[Finding] = []
        self.corrections: dict[str, str] = {}  # by id of a check that one of these replaces

    def take(self, sent: list[SentCheck]) -> list[str]:
        """Ids of checks that are there already; the others go to `admitted` or `findings`."""
        known = self._stored(sent)
        already_there: list[str] = []
        for one in sent:
            if one.draft.performed_at.tzinfo is not None:
                there = known.get(NaturalKey.of_draft(one.wrench, one.draft))
                if there is not None and there.id not in one.draft.corrections:
                    if is_recorded_as(one.draft, there):
                        already_there.append(there.id)
                    else:
                        self.findings += relocated([_other_content(there)], one.locate)
                    continue
            try:
                check = self._admit(one)
            except Refused as refused:
                self.findings += relocated(refused.findings, one.locate)
                continue
            known[NaturalKey.of(check)] = check
            self.corrections |= one.draft.corrections
            self.admitted.append(check)
        return already_there

    def take_plain(self, file: PlainFile) -> None:
        """All its checks to `admitted`; raises NotPlain unless each keeps the rules and is new."""
        wrenches, testers = [], []
        for serial, draft in file.heads:
            wrench = self._wrench(serial)
            if wrench is None:
                raise NotPlain
            tester = self._tester(draft.tester) if draft.tester is not None else None
            counts = self._counts_of(serial)
            if head_findings(
                draft,
                wrench=wrench,
                tester=tester,
                policy=self._policy,
                earlier=counts,
                now=self._now,
            ):
                raise NotPlain
            if draft.cycle_count is not None:
                counts.add(draft.performed_at, draft.cycle_count)
            wrenches.append(wrench)
            testers.append(tester)
        keys = {NaturalKey.of_draft(serial, draft) for serial, draft in file.heads}
        if len(keys) < len(file.heads) or self._shop.checks.same_as(keys):
            raise NotPlain
        points = points_at_once(
            file.torques,
            wrenches=wrenches,
            testers=testers,
            confirmed=[draft.confirm_unusual for _, draft in file.heads],
        )
        self.admitted = [
            check_to_store(draft, own, wrench=wrench, now=self._now)
            for (_, draft), wrench, own in zip(file.heads, wrenches, points, strict=True)
        ]

    def _stored(self, sent: list[SentCheck]) -> dict[NaturalKey, Check]:
        keys = (
            NaturalKey.of_draft(one.wrench, one.draft)
            for one in sent
            if one.draft.performed_at.tzinfo is not None
        )
        ids = self._shop.checks.same_as(keys).values()
        return {NaturalKey.of(check): check for check in self._shop.checks.find_many(sorted(ids))}

    def _admit(self, one: SentCheck) -> Check:
        wrench = self._wrench(one.wrench)
        if wrench is None:
            raise Refused(
                [
                    Finding(
                        field="/wrench",
                        detail=f"the shop has no wrench {one.wrench!r}",
                        remedy="register the wrench first, or correct the serial",
                    )
                ]
            )
        counts = self._counts_of(wrench.serial)
        draft = one.draft
        if draft.replaces in self.corrections:
            raise Refused(
                [
                    Finding(
                        field="/replaces",
                        detail=f"another check of this file takes the place of {draft.replaces}",
                        remedy="send one check for each that was wrong",
                    )
                ]
            )
        check = admit_check(
            draft,
            wrench=wrench,
            tester=self._tester(draft.tester) if draft.tester is not None else None,
            policy=self._policy,
            earlier=counts,
            now=self._now,
            replaced=(
                self._shop.checks.find(draft.replaces) if draft.replaces is not None else None
            ),
        )
        if check.cycle_count is not None:
            counts.add(check.performed_at, check.cycle_count)
        return check

    def _wrench(self, serial: str) -> Wrench | None:
        if serial not in self._wrenches:
            self._wrenches[serial] = self._shop.wrenches.find(serial)
        return self._wrenches[serial]

    def _tester(self, serial: str) -> Tester | None:
        if serial not in self._testers:
            self._testers[serial] = self._shop.testers.find(serial)
        return self._testers[serial]

    def _counts_of(self, wrench: str) -> CycleCounts:
        if wrench not in self._counts:
            self._counts[wrench] = self._shop.checks.cycle_counts(wrench)
        return self._counts[wrench]


def _other_content(there: Check) -> Finding:
    return Finding(
        field="/performed_at",
        detail=f"check {there.id} of the same wrench, time, kind, direction and tester or card "
        "says something else",
        remedy="correct the time; to replace that check, send the check with its id in replaces "
        "and the reason in replaces_because",
    )
