"""CSV of wrenches and of testers, one row a device, all or nothing."""

import dataclasses
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final, TypeVar

from service.findings import Finding, Refused
from service.imports.bodies import read_as, relocated, without_nothing
from service.imports.cells import Cells
from service.imports.rows import CsvRow, read_rows
from service.recording import register_wrench
from service.records import ImportReport, ServiceDecision, ServiceStatus, Tester, Wrench
from service.registration import admit_tester, admit_wrench
from service.schemas.testers import TesterInput
from service.schemas.wrenches import ServiceInput, WrenchInput
from service.store import ShopStore

WRENCH_COLUMNS: Final = (
    "serial", "mechanism", "indication", "model", "lowest", "full_scale", "unit",
    "mpd_clockwise_pct", "mpd_counter_clockwise_pct", "mpd_basis", "resolution", "drive",
)  # fmt: skip
WRENCH_OPTIONAL: Final = (
    "status", "status_reason", "lowest_unit", "resolution_unit", "mpd_counter_clockwise_basis",
    "angle_mpd_deg", "angle_mpd_pct", "angle_resolution_deg", "angle_highest_deg",
)  # fmt: skip
TESTER_COLUMNS: Final = (
    "serial", "model", "lowest", "full_scale", "unit", "expanded_uncertainty_pct",
    "coverage_factor", "certificate", "calibrated_on", "due_on",
)  # fmt: skip
TESTER_OPTIONAL: Final = ("lowest_unit",)

Device = TypeVar("Device", Wrench, Tester)


def import_wrenches(shop: ShopStore, data: bytes, *, now: datetime) -> ImportReport:
    """Serials of the wrenches now stored, and of those that were there and say the same.

    `unit` is that of every torque in the row unless `lowest_unit` or `resolution_unit` says
    otherwise, and `mpd_basis` that of both directions unless `mpd_counter_clockwise_basis` does.

    Raises Refused with every finding, named by column and row.
    """
    rows, findings = read_rows(data, required=WRENCH_COLUMNS, optional=WRENCH_OPTIONAL)
    wrenches, more = _read(rows, lambda row: _wrench(row, now))
    return _store(
        wrenches,
        [*findings, *more],
        find=shop.wrenches.find,
        add=lambda wrench: register_wrench(shop, wrench, person=None),
        as_there=lambda new, there: dataclasses.replace(
            new,
            registered_at=there.registered_at,
            decision=dataclasses.replace(new.decision, since=there.decision.since),
            quarantine=there.quarantine,
            version=there.version,
        ),
    )


def import_testers(shop: ShopStore, data: bytes, *, now: datetime) -> ImportReport:
    """Serials of the testers now stored, and of those that were there and say the same.

    `unit` is that of both ends of the range unless `lowest_unit` says otherwise.

    Raises Refused with every finding, named by column and row.
    """
    rows, findings = read_rows(data, required=TESTER_COLUMNS, optional=TESTER_OPTIONAL)
    testers, more = _read(rows, lambda row: _tester(row, now))
    return _store(
        testers,
        [*findings, *more],
        find=shop.testers.find,
        add=shop.testers.add,
        as_there=lambda new, there: dataclasses.replace(
            new, registered_at=there.registered_at, version=there.version
        ),
    )


def _read(
    rows: list[CsvRow], read: Callable[[CsvRow], Device]
) -> tuple[list[tuple[int, Device]], list[Finding]]:
    devices: list[tuple[int, Device]] = []
    findings: list[Finding] = []
    for row in rows:
        try:
            devices.append((row.number, read(row)))
        except Refused as refused:
            findings += refused.findings
    return devices, findings


def _store(
    devices: list[tuple[int, Device]],
    findings: list[Finding],
    *,
    find: Callable[[str], Device | None],
    add: Callable[[Device], Device],
    as_there: Callable[[Device, Device], Device],
) -> ImportReport:
    stored: list[str] = []
    already_there: list[str] = []
    for row, device in devices:
        there = find(device.serial)
        if there is None:
            stored.append(add(device).serial)
        elif as_there(device, there) == there:
            already_there.append(device.serial)
        else:
            findings.append(
                Finding(
                    field="serial",
                    detail=f"{device.serial} is registered already and says something else",
                    remedy="change what is registered by its own path, or leave the row out",
                    row=row,
                )
            )
    if not devices and not findings:
        findings.append(Finding(field="", detail="there is no row in it", remedy="send one"))
    if findings:
        raise Refused(sorted(findings, key=lambda finding: finding.row or 0))
    return ImportReport(stored=tuple(stored), already_there=tuple(already_there))


def _torque(value: float | None, unit: str | None) -> dict[str, Any] | None:
    return None if value is None else {"value": value, "unit": unit}


def _wrench(row: CsvRow, now: datetime) -> Wrench:
    cells = Cells(row)
    cells.required("serial", "mechanism", "indication", "lowest", "full_scale", "unit")
    unit, basis = row.word("unit"), row.word("mpd_basis")
    ccw_basis = row.word("mpd_counter_clockwise_basis") or basis
    body = without_nothing(
        {
            "serial": row.word("serial"),
            "mechanism": row.word("mechanism"),
            "indication": row.word("indication"),
            "model": row.text("model"),
            "lowest": _torque(cells.decimal("lowest"), row.word("lowest_unit") or unit),
            "full_scale": _torque(cells.decimal("full_scale"), unit),
            "mpd_clockwise": _mpd(cells.decimal("mpd_clockwise_pct"), basis),
            "mpd_counter_clockwise": _mpd(cells.decimal("mpd_counter_clockwise_pct"), ccw_basis),
            "resolution": _torque(cells.decimal("resolution"), row.word("resolution_unit") or unit),
            "drive": row.text("drive"),
            "angle": _angle(cells),
        }
    )
    if cells.findings:
        raise Refused(cells.findings)

    def locate(pointer: str) -> tuple[str, int]:
        if pointer.startswith("/angle/"):
            return f"angle_{pointer.removeprefix('/angle/')}", row.number
        return _WRENCH_PLACES.get(pointer, pointer.removeprefix("/").split("/")[0]), row.number

    wrench = read_as(WrenchInput, body, locate).record(now)
    try:
        admit_wrench(wrench)
    except Refused as refused:
        raise Refused(relocated(refused.findings, locate)) from refused
    return _with_status(wrench, row, now)


_WRENCH_PLACES: Final = {
    "/mpd_clockwise": "mpd_clockwise_pct",
    "/mpd_clockwise/percent": "mpd_clockwise_pct",
    "/mpd_clockwise/basis": "mpd_basis",
    "/mpd_counter_clockwise": "mpd_counter_clockwise_pct",
    "/mpd_counter_clockwise/percent": "mpd_counter_clockwise_pct",
    "/mpd_counter_clockwise/basis": "mpd_basis",
    "/lowest/unit": "unit",
    "/full_scale/unit": "unit",
    "/resolution/unit": "unit",
}


def _mpd(percent: float | None, basis: str | None) -> dict[str, Any] | None:
    return None if percent is None else without_nothing({"percent": percent, "basis": basis})


def _angle(cells: Cells) -> dict[str, Any] | None:
    """None where no cell says anything: the wrench measures no angle."""
    names = ("mpd_deg", "mpd_pct", "resolution_deg", "highest_deg")
    return without_nothing({name: cells.decimal(f"angle_{name}") for name in names}) or None


def _with_status(wrench: Wrench, row: CsvRow, now: datetime) -> Wrench:
    """Status and reason go together; a wrench in service needs neither."""
    reason = row.text("status_reason")
    status = row.word("status") or ServiceStatus.IN_SERVICE.value
    if status == ServiceStatus.IN_SERVICE and reason is None:
        return wrench

    def locate(pointer: str) -> tuple[str, int]:
        return {"/reason": "status_reason"}.get(pointer, "status"), row.number

    service = read_as(ServiceInput, without_nothing({"status": status, "reason": reason}), locate)
    decision = ServiceDecision(status=service.status, reason=service.reason, since=now)
    return dataclasses.replace(wrench, decision=decision)


def _tester(row: CsvRow, now: datetime) -> Tester:
    cells = Cells(row)
    cells.required(*(column for column in TESTER_COLUMNS if column != "model"))
    unit = row.word("unit")
    body = without_nothing(
        {
            "serial": row.word("serial"),
            "model": row.text("model"),
            "lowest": _torque(cells.decimal("lowest"), row.word("lowest_unit") or unit),
            "full_scale": _torque(cells.decimal("full_scale"), unit),
            "expanded_uncertainty_pct": cells.decimal("expanded_uncertainty_pct"),
            "coverage_factor": cells.decimal("coverage_factor"),
            "certificate": row.text("certificate"),
            "calibrated_on": row.word("calibrated_on"),
            "due_on": row.word("due_on"),
        }
    )
    if cells.findings:
        raise Refused(cells.findings)

    def locate(pointer: str) -> tuple[str, int]:
        if pointer in ("/lowest/unit", "/full_scale/unit"):
            return "unit", row.number
        return pointer.removeprefix("/").split("/")[0], row.number

    tester = read_as(TesterInput, body, locate).record(now)
    try:
        return admit_tester(tester, now=now)
    except Refused as refused:
        raise Refused(relocated(refused.findings, locate)) from refused
