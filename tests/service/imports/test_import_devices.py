"""Files of wrenches and testers: stored whole or not at all, each fault named by column and row."""

from datetime import UTC, date, datetime, time

import pytest
from sample_records import NOW

import datasets_demo
from analysis.vocabulary import Mechanism
from service.findings import Refused
from service.imports import (
    CheckFormat,
    import_angle_checks,
    import_checks,
    import_testers,
    import_wrenches,
)
from service.records import (
    Indication,
    MaximumPermissibleDeviation,
    ServiceStatus,
    ToleranceBasis,
)
from service.store import LOCAL_SHOP

WRENCH = {
    "serial": "W-1",
    "mechanism": "spring",
    "indication": "type_ii_setting",
    "model": "click wrench 20-100",
    "lowest": "20",
    "full_scale": "100",
    "unit": "N.m",
    "mpd_clockwise_pct": "4",
    "mpd_counter_clockwise_pct": "6",
    "mpd_basis": "reading",
    "resolution": "0.5",
    "drive": "1/2 in",
}
TESTER = {
    "serial": "T-1",
    "model": "bench tester",
    "lowest": "10",
    "full_scale": "200",
    "unit": "N.m",
    "expanded_uncertainty_pct": "0.6",
    "coverage_factor": "2",
    "certificate": "C-1",
    "calibrated_on": "2025-01-10",
    "due_on": "2027-01-10",
}


def csv_of(*rows):
    return "".join(
        ",".join(line) + "\n" for line in [rows[0], *(r.values() for r in rows)]
    ).encode()


def read_wrenches(store, *rows):
    with store.write(LOCAL_SHOP) as shop:
        report = import_wrenches(shop, csv_of(*rows), now=NOW)
        return report, [shop.wrenches.get(serial) for serial in report.stored]


def read_testers(store, *rows):
    with store.write(LOCAL_SHOP) as shop:
        report = import_testers(shop, csv_of(*rows), now=NOW)
        return report, [shop.testers.get(serial) for serial in report.stored]


def places(read, store, *rows):
    with pytest.raises(Refused) as caught:
        read(store, *rows)
    assert all(finding.remedy for finding in caught.value.findings)
    return [(finding.row, finding.field) for finding in caught.value.findings]


def test_a_row_becomes_a_wrench(empty_store):
    _, (wrench,) = read_wrenches(empty_store, WRENCH)
    assert (wrench.serial, wrench.mechanism) == ("W-1", Mechanism.SPRING)
    assert wrench.indication is Indication.SETTING
    assert (wrench.lowest.nm, wrench.full_scale.nm) == (20, 100)
    assert wrench.resolution is not None
    assert wrench.resolution.nm == 0.5
    assert wrench.mpd_clockwise == MaximumPermissibleDeviation(percent=4)
    assert wrench.mpd_counter_clockwise == MaximumPermissibleDeviation(percent=6)
    assert (wrench.status, wrench.status_since) == (ServiceStatus.IN_SERVICE, None)
    assert wrench.registered_at == NOW


def test_empty_cells_and_optional_columns_of_a_wrench(empty_store):
    row = WRENCH | {
        "model": "",
        "lowest": "15",
        "mpd_clockwise_pct": "",
        "resolution": "1",
        "drive": "",
        "status": "out_of_service",
        "status_reason": "dropped",
        "lowest_unit": "ft-lb",
        "resolution_unit": "cN.m",
        "mpd_counter_clockwise_basis": "full_scale",
    }
    _, (wrench,) = read_wrenches(empty_store, row)
    assert (wrench.model, wrench.drive, wrench.mpd_clockwise) == (None, None, None)
    assert str(wrench.lowest) == "15 ft.lbf"
    assert str(wrench.resolution) == "1 cN.m"
    assert wrench.mpd_counter_clockwise == MaximumPermissibleDeviation(
        percent=6, basis=ToleranceBasis.FULL_SCALE
    )
    assert wrench.status is ServiceStatus.OUT_OF_SERVICE
    assert (wrench.status_reason, wrench.status_since) == ("dropped", NOW)


def test_a_row_becomes_a_tester(empty_store):
    _, (tester,) = read_testers(empty_store, TESTER | {"lowest_unit": "ft.lbf"})
    assert str(tester.lowest) == "10 ft.lbf"
    assert (tester.expanded_uncertainty_pct, tester.coverage_factor) == (0.6, 2)
    assert (tester.calibrated_on, tester.due_on) == (date(2025, 1, 10), date(2027, 1, 10))


@pytest.mark.parametrize(
    ("changes", "fields"),
    [
        ({"serial": ""}, {"serial"}),
        ({"serial": "no/slash"}, {"serial"}),
        ({"mechanism": "magic"}, {"mechanism"}),
        ({"indication": "II"}, {"indication"}),
        ({"lowest": "100"}, {"lowest"}),
        ({"lowest": "-1"}, {"lowest"}),
        ({"full_scale": "nan"}, {"full_scale"}),
        ({"unit": "Nn"}, {"unit"}),
        ({"mpd_clockwise_pct": "4 %"}, {"mpd_clockwise_pct"}),
        ({"mpd_clockwise_pct": "0"}, {"mpd_clockwise_pct"}),
        ({"mpd_clockwise_pct": "", "mpd_counter_clockwise_pct": ""}, {"mpd_clockwise_pct"}),
        ({"mpd_basis": "range"}, {"mpd_basis"}),
        ({"resolution": "100"}, {"resolution"}),
        ({"status": "lost", "status_reason": "unknown"}, {"status"}),
        ({"status": "out_of_service", "status_reason": ""}, {"status_reason"}),
    ],
)
def test_a_faulty_wrench_is_named_by_column(empty_store, changes, fields):
    columns = WRENCH | {"status": "", "status_reason": ""}
    good, bad = columns, columns | {"serial": "W-2"} | changes
    found = places(read_wrenches, empty_store, good, bad)
    assert set(found) == {(2, field) for field in fields}
    with empty_store.read(LOCAL_SHOP) as shop:
        assert shop.wrenches.list() == ()


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"lowest": "300"}, "lowest"),
        ({"unit": "?"}, "unit"),
        ({"expanded_uncertainty_pct": "0"}, "expanded_uncertainty_pct"),
        ({"coverage_factor": ""}, "coverage_factor"),
        ({"certificate": ""}, "certificate"),
        ({"calibrated_on": "10.1.2025"}, "calibrated_on"),
        ({"calibrated_on": "2026-12-01"}, "calibrated_on"),
        ({"due_on": "2024-01-01"}, "due_on"),
    ],
)
def test_a_faulty_tester_is_named_by_column(empty_store, changes, field):
    bad = TESTER | {"serial": "T-2"} | changes
    assert set(places(read_testers, empty_store, TESTER, bad)) == {(2, field)}
    with empty_store.read(LOCAL_SHOP) as shop:
        assert shop.testers.list() == ()


@pytest.mark.parametrize(
    ("read", "row", "other"),
    [(read_wrenches, WRENCH, {"drive": "3/8 in"}), (read_testers, TESTER, {"certificate": "C-2"})],
)
def test_what_is_there_counts_once_and_is_not_changed(empty_store, read, row, other):
    first, _ = read(empty_store, row)
    again, _ = read(empty_store, row, row | {"serial": "X-2"})
    assert (again.stored, again.already_there) == (("X-2",), first.stored)
    assert places(read, empty_store, row | other) == [(1, "serial")]


@pytest.mark.parametrize(
    ("bring", "columns"), [(import_wrenches, WRENCH), (import_testers, TESTER)]
)
def test_a_file_without_rows_is_refused(empty_store, bring, columns):
    with pytest.raises(Refused, match="no row"), empty_store.write(LOCAL_SHOP) as shop:
        bring(shop, (",".join(columns) + "\n").encode(), now=NOW)


def test_the_files_of_the_demo_are_taken_whole(empty_store):
    """Every row of the invented workshop, on the day after its story ends."""
    now = datetime.combine(datasets_demo.LAST_DAY, time(23, 59), tzinfo=UTC)
    with empty_store.write(LOCAL_SHOP) as shop:
        wrenches = import_wrenches(shop, datasets_demo.wrenches_csv().read_bytes(), now=now)
        testers = import_testers(shop, datasets_demo.testers_csv().read_bytes(), now=now)
        checks = import_checks(
            shop, datasets_demo.checks_csv().read_bytes(), CheckFormat.CSV, now=now
        )
        angles = import_angle_checks(shop, datasets_demo.angle_checks_csv().read_bytes(), now=now)
    assert len(wrenches.stored) == 40
    assert len(testers.stored) == 4
    readings = len(datasets_demo.checks_csv().read_text().splitlines()) - 1
    with empty_store.read(LOCAL_SHOP) as shop:
        assert shop.evidence(now)[1].height == readings
        assert len(checks.stored) == len(tuple(shop.checks.every()))
        angle_readings = len(datasets_demo.angle_checks_csv().read_text().splitlines()) - 1
        every = shop.angle_checks.every()
        assert len(angles.stored) == len(every)
        assert angle_readings == sum(len(p.readings) for check in every for p in check.points)
