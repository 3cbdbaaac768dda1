"""What the bench is told beforehand agrees with how its check is admitted and judged."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_records import NOW, a_check, a_tester, a_wrench, nm

from analysis.vocabulary import CheckKind, Direction
from service import records
from service.bench_sheet import BenchSheet, bench_sheet, plan_marks
from service.findings import Refused
from service.intake import CheckDraft, CycleCounts, PointDraft, admit_check
from service.records import (
    Check,
    MaximumPermissibleDeviation,
    Point,
    Policy,
    Reading,
    ToleranceBasis,
    Wrench,
)
from service.torque import UNITS, Torque
from service.verdict import verdict

OF_FULL_SCALE = MaximumPermissibleDeviation(percent=1, basis=ToleranceBasis.FULL_SCALE)
WRENCHES = (
    a_wrench(),
    a_wrench("FS-1", mpd_clockwise=OF_FULL_SCALE),
    a_wrench("FT-1", lowest=Torque.of(10, "ft.lbf"), full_scale=Torque.of(75, "ft.lbf")),
)


def sheet_of(wrench: Wrench, **changes: object) -> BenchSheet:
    given_ = {"policy": Policy(), "testers": (), "earlier": (), "today": NOW.date()} | changes
    return bench_sheet(wrench, Direction.CLOCKWISE, **given_)  # type: ignore[arg-type]


def draft_of(wrench: Wrench, target: Torque, reading: float, tester: records.Tester) -> CheckDraft:
    return CheckDraft(
        kind=CheckKind.AS_FOUND,
        direction=Direction.CLOCKWISE,
        performed_at=NOW - timedelta(hours=1),
        tester=tester.serial,
        operator=None,
        temperature_c=None,
        cycle_count=None,
        points=(PointDraft(target=target, readings=(Torque.of(reading, target.unit),)),),
    )


def admitted(draft: CheckDraft, wrench: Wrench, tester: records.Tester) -> Check:
    return admit_check(
        draft, wrench=wrench, tester=tester, policy=Policy(), earlier=CycleCounts(), now=NOW
    )


@pytest.mark.parametrize("wrench", WRENCHES, ids=lambda wrench: wrench.serial)
def test_a_reading_passes_from_the_lowest_to_the_highest_told(wrench: Wrench) -> None:
    for target in sheet_of(wrench).targets:
        for edge, outwards in ((target.lowest, -1), (target.highest, 1)):
            for factor, inside in ((1 - outwards * 1e-7, True), (1 + outwards * 1e-7, False)):
                reading = Reading(
                    reference=Torque.of(edge * factor, target.torque.unit),
                    indicated=target.torque,
                )
                check = a_check(
                    wrench.serial, points=(Point(target=target.torque, readings=(reading,)),)
                )
                judged = verdict(
                    check, wrench=wrench, tester=a_tester(), policy=Policy(), earlier=()
                )
                assert judged.points[0].readings[0].within is inside


ANY_TESTER = a_tester(lowest=nm(0.001), full_scale=nm(100_000))


@given(st.sampled_from(list(UNITS)), st.floats(0.01, 200))
def test_the_bench_asks_about_exactly_what_the_intake_asks_about(unit: str, factor: float) -> None:
    wrench = a_wrench(lowest=Torque.of(20, unit), full_scale=Torque.of(100, unit), resolution=None)
    told = sheet_of(wrench).targets[0]
    reading = told.torque.value * factor
    edges = [edge for _, *span in told.unusual.slips for edge in span]
    edges += [told.unusual.lowest, told.unusual.highest]
    if any(abs(reading / edge - 1) < 1e-9 for edge in edges):
        return  # at an edge, rounding decides
    asked = abs(factor - 1) > 0.06 and (
        any(lowest <= reading <= highest for _, lowest, highest in told.unusual.slips)
        or not told.unusual.lowest < reading < told.unusual.highest
    )
    draft = draft_of(wrench, told.torque, reading, ANY_TESTER)
    if asked:
        with pytest.raises(Refused, match=r"wrong unit|is far from"):
            admitted(draft, wrench, ANY_TESTER)
    else:
        admitted(draft, wrench, ANY_TESTER)


TESTERS = (
    a_tester("GOOD"),
    a_tester("LATE", due_on=NOW.date() - timedelta(days=1)),
    a_tester("LAST-DAY", due_on=NOW.date()),
    a_tester("EARLY", calibrated_on=NOW.date() + timedelta(days=1)),
    a_tester("SMALL", full_scale=nm(60)),
    a_tester("LARGE", lowest=nm(25)),
)


def test_a_tester_is_offered_exactly_when_the_check_would_be_admitted() -> None:
    wrench = a_wrench()
    sheet = sheet_of(wrench, testers=TESTERS)
    offered = {tester.serial for tester in sheet.testers}
    for tester in TESTERS:
        draft = replace(
            draft_of(wrench, nm(20), 20.0, tester),
            points=tuple(
                PointDraft(target=target.torque, readings=(target.torque,))
                for target in sheet.targets
            ),
        )
        if tester.serial in offered:
            admitted(draft, wrench, tester)
        else:
            with pytest.raises(Refused, match=tester.serial):
                admitted(draft, wrench, tester)
    assert offered == {"GOOD", "LAST-DAY"}
    assert {each.tester.serial: each.because for each in sheet.unusable} == {
        "LATE": "its certificate ran out on 2026-05-03",
        "EARLY": "its certificate begins on 2026-05-05",
        "SMALL": "it measures 10 to 60 N·m, which leaves out 100 N·m",
        "LARGE": "it measures 25 to 200 N·m, which leaves out 20 N·m",
    }


def test_targets_are_marks_of_the_scale_and_never_below_its_lowest() -> None:
    odd = a_wrench(lowest=nm(8), full_scale=nm(36), resolution=nm(0.5))
    assert [mark.value for mark in plan_marks(odd, Policy())] == [8, 21.5, 36]
    smooth = replace(odd, resolution=None, lowest=nm(5))
    assert [mark.value for mark in plan_marks(smooth, Policy())] == [7.2, 21.6, 36]


def test_a_history_says_what_scatter_to_expect() -> None:
    wrench = a_wrench()
    new = sheet_of(wrench).targets[0].quiet_sd_pct
    known = sheet_of(
        wrench, earlier=[a_check(performed_at=NOW - timedelta(days=each)) for each in (1, 2, 3)]
    ).targets[0]
    assert new is not None
    assert known.quiet_sd_pct is not None
    assert known.quiet_sd_pct < new  # the earlier readings lie close together
    single = sheet_of(wrench, policy=Policy(plan_repeats=1)).targets[0]
    assert single.quiet_sd_pct is None
