"""CSV of jobs, one row a job: a question, so that nothing of it is stored."""

from typing import Any, Final

from service.findings import Finding, Refused
from service.imports.bodies import read_as, without_nothing
from service.imports.cells import Cells
from service.imports.rows import CsvRow, read_rows
from service.schemas.coverage import MOST_JOBS, JobInput

COLUMNS: Final = ("job", "torque", "unit")
OPTIONAL: Final = ("direction", "angle_deg", "criticality", "on")
_PLACES: Final = {"/name": "job", "/torque/value": "torque", "/torque/unit": "unit"}


def read_jobs(data: bytes) -> tuple[tuple[int, JobInput], ...]:
    """The jobs of a file, each with the number of its row.

    Raises Refused with every finding, named by column and row.
    """
    rows, findings = read_rows(data, required=COLUMNS, optional=OPTIONAL)
    jobs = []
    for row in rows:
        try:
            jobs.append((row.number, _job(row)))
        except Refused as refused:
            findings += refused.findings
    if not 1 <= len(rows) <= MOST_JOBS and not findings:
        findings.append(
            Finding(
                field="",
                detail=f"there are {len(rows)} jobs in it",
                remedy=f"send between 1 and {MOST_JOBS}",
            )
        )
    if findings:
        raise Refused(sorted(findings, key=lambda finding: finding.row or 0))
    return tuple(jobs)


def _job(row: CsvRow) -> JobInput:
    cells = Cells(row)
    cells.required(*COLUMNS)
    torque: dict[str, Any] = {"value": cells.decimal("torque"), "unit": row.word("unit")}
    body = without_nothing(
        {
            "name": row.text("job"),
            "torque": torque,
            "direction": row.word("direction"),
            "angle_deg": cells.decimal("angle_deg"),
            "criticality": row.word("criticality"),
            "on": row.word("on"),
        }
    )
    if cells.findings:
        raise Refused(cells.findings)

    def locate(pointer: str) -> tuple[str, int]:
        return _PLACES.get(pointer, pointer.removeprefix("/").split("/")[0]), row.number

    return read_as(JobInput, body, locate)
