"""The CSV files: what the generator writes, in the columns of the imports, and possible."""

import csv
from collections import defaultdict
from datetime import UTC, date, datetime, time
from itertools import pairwise

import pytest

import datasets_demo
from analysis.vocabulary import CheckKind, Direction, Mechanism
from datasets_demo.fleet import FLEET
from datasets_demo.generate import make_files

WRENCH_COLUMNS = (
    "serial,mechanism,indication,model,lowest,full_scale,unit,mpd_clockwise_pct,"
    "mpd_counter_clockwise_pct,mpd_basis,resolution,drive,status,status_reason,"
    "angle_mpd_deg,angle_mpd_pct,angle_resolution_deg,angle_highest_deg"
)
TESTER_COLUMNS = (
    "serial,model,lowest,full_scale,unit,expanded_uncertainty_pct,coverage_factor,certificate,"
    "calibrated_on,due_on"
)
CHECK_COLUMNS = (
    "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,reading,"
    "indicated,unit,card_issuer,card_certificate,card_issued_on,card_expanded_uncertainty_pct,"
    "card_coverage_factor,card_serial,card_model,card_mpd_pct,card_mpd_basis"
)
PULL_COLUMNS = "wrench,job,performed_at,direction,torque,unit,operator,count"
# N·m in one of each: NIST SP 811 (2008), appendix B.8
NEWTON_METRES = {"N.m": 1.0, "ft.lbf": 1.3558179483314004, "in.lbf": 0.1129848290276167}

Row = dict[str, str]


def rows_of(text: str) -> list[Row]:
    return list(csv.DictReader(text.splitlines()))


WRENCHES = {row["serial"]: row for row in rows_of(datasets_demo.wrenches_csv().read_text("utf-8"))}
TESTERS = {row["serial"]: row for row in rows_of(datasets_demo.testers_csv().read_text("utf-8"))}
READINGS = rows_of(datasets_demo.checks_csv().read_text("utf-8"))
PULLS = rows_of(datasets_demo.pulls_csv().read_text("utf-8"))
ANGLES = rows_of(datasets_demo.angle_checks_csv().read_text("utf-8"))


def performed_at(row: Row) -> datetime:
    return datetime.strptime(row["performed_at"], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def in_nm(row: Row, column: str) -> float:
    return float(row[column]) * NEWTON_METRES[row["unit"]]


@pytest.mark.parametrize(
    "name", ["wrenches.csv", "testers.csv", "checks.csv", "angle_checks.csv", "pulls.csv"]
)
def test_file_is_what_the_generator_writes_byte_for_byte(name: str) -> None:
    """The reader may trust that the README's mechanism made the file."""
    resource = {
        "wrenches.csv": datasets_demo.wrenches_csv,
        "testers.csv": datasets_demo.testers_csv,
        "checks.csv": datasets_demo.checks_csv,
        "pulls.csv": datasets_demo.pulls_csv,
        "angle_checks.csv": datasets_demo.angle_checks_csv,
    }[name]()
    assert resource.name == name
    assert resource.read_bytes() == make_files()[name].encode("utf-8")


def test_every_file_has_the_columns_of_the_imports() -> None:
    """A field more or less in any row would show as a None key or value."""
    for rows, columns in (
        (list(WRENCHES.values()), WRENCH_COLUMNS),
        (list(TESTERS.values()), TESTER_COLUMNS),
        (READINGS, CHECK_COLUMNS),
        (PULLS, PULL_COLUMNS),
    ):
        for row in rows:
            assert list(row) == columns.split(",")
            assert None not in row.values()


def test_work_lies_in_the_last_year_and_within_what_each_wrench_was_used_for() -> None:
    """Less than the counters show, more than half of it; jobs numbered as they come."""
    assert 1500 < len(PULLS) < 4000
    times = [performed_at(row) for row in PULLS]
    assert times == sorted(times)
    assert datetime(2025, 11, 20, tzinfo=UTC) < times[0]
    assert times[-1].date() <= datasets_demo.LAST_DAY
    jobs = [int(row["job"].removeprefix("W-")) for row in PULLS]
    assert jobs[0] == 1042
    assert set(jobs) == set(range(1042, max(jobs) + 1))
    fleet = {wrench.serial: wrench for wrench in FLEET}
    for serial in {row["wrench"] for row in PULLS}:
        made = sum(int(row["count"]) for row in PULLS if row["wrench"] == serial)
        assert 0.7 < made / fleet[serial].cycles_per_year < 1.0


def test_only_the_two_records_of_the_story_lie_outside_a_marked_range() -> None:
    outside = [
        (row["wrench"], row["performed_at"][:10])
        for row in PULLS
        if not float(WRENCHES[row["wrench"]]["lowest"])
        <= float(row["torque"])
        <= float(WRENCHES[row["wrench"]]["full_scale"])
    ]
    assert outside == [("SP-111", "2026-02-17"), ("SP-115", "2026-05-12")]


def test_every_angle_belongs_to_an_electronic_wrench_that_states_an_angle_performance() -> None:
    """Met by a tester of the workshop on the day of a check of its torque, clockwise."""
    visits = {(row["wrench"], row["performed_at"][:10]) for row in READINGS}
    for row in ANGLES:
        wrench = WRENCHES[row["wrench"]]
        assert wrench["mechanism"] == Mechanism.ELECTRONIC
        assert float(wrench["angle_mpd_deg"]) == 2
        assert row["tester"] in TESTERS
        assert (row["wrench"], row["performed_at"][:10]) in visits
        assert abs(float(row["indicated_deg"]) - float(row["reference_deg"])) < 4
    shown = {serial for serial, row in WRENCHES.items() if row["angle_mpd_deg"]}
    assert shown - {row["wrench"] for row in ANGLES} == {"EL-209"}


def test_file_of_checks_stays_small() -> None:
    """It travels inside the package."""
    assert 400_000 < len(datasets_demo.checks_csv().read_bytes()) < 1_200_000


def test_every_wrench_parses() -> None:
    """Words from the closed lists, marks in order, tolerances positive or not stated."""
    for row in WRENCHES.values():
        assert row["mechanism"] in set(Mechanism)
        setting = row["mechanism"] == Mechanism.SPRING
        assert row["indication"] == ("type_ii_setting" if setting else "type_i_indicating")
        assert row["model"]
        assert row["drive"].endswith(" in")
        assert 0 < float(row["resolution"]) < float(row["lowest"]) < float(row["full_scale"])
        assert row["unit"] in NEWTON_METRES
        assert float(row["mpd_clockwise_pct"]) > 0
        assert row["mpd_counter_clockwise_pct"] == "" or float(row["mpd_counter_clockwise_pct"]) > 0
        assert row["mpd_basis"] in {"reading", "full_scale"}
        assert row["status"] in {"in_service", "out_of_service"}
        assert (row["status_reason"] != "") == (row["status"] == "out_of_service")


def test_every_tester_parses() -> None:
    """A certificate covers some years and says what U and k are."""
    for row in TESTERS.values():
        assert 0 < float(row["lowest"]) < float(row["full_scale"])
        assert row["unit"] == "N.m"
        assert 0 < float(row["expanded_uncertainty_pct"]) <= 1
        assert float(row["coverage_factor"]) == 2
        assert row["certificate"]
        assert date.fromisoformat(row["calibrated_on"]) < date.fromisoformat(row["due_on"])


def test_every_reading_parses_and_belongs_to_its_wrench() -> None:
    """Known wrench, its unit, a stated direction, a kind, plausible numbers."""
    for row in READINGS:
        wrench = WRENCHES[row["wrench"]]
        assert row["unit"] == wrench["unit"]
        assert row["kind"] in set(CheckKind)
        assert row["direction"] in set(Direction)
        stated = {
            Direction.CLOCKWISE: wrench["mpd_clockwise_pct"],
            Direction.COUNTER_CLOCKWISE: wrench["mpd_counter_clockwise_pct"],
        }
        assert stated[Direction(row["direction"])] != ""
        assert row["temperature_c"] == "" or 8 < float(row["temperature_c"]) < 35
        assert row["cycle_count"] == "" or int(row["cycle_count"]) >= 0
        assert abs(float(row["reading"]) / float(row["target"]) - 1) < 0.12


def test_targets_and_indications_lie_within_the_marked_range() -> None:
    """ISO 6789-1:2017 tests from the lowest marked value up to the maximum."""
    for row in READINGS:
        wrench = WRENCHES[row["wrench"]]
        for column in ("target", "indicated"):
            if row[column]:
                assert float(wrench["lowest"]) <= float(row[column]) <= float(wrench["full_scale"])
        assert (row["indicated"] != "") == (wrench["mechanism"] == Mechanism.ELECTRONIC)


def test_every_tester_was_in_date_and_in_range() -> None:
    """No reading comes from before a certificate, after its due date or beyond its range."""
    for row in READINGS:
        if row["tester"]:
            tester = TESTERS[row["tester"]]
            day = performed_at(row).date().isoformat()
            assert tester["calibrated_on"] <= day <= tester["due_on"]
            for column in ("target", "reading"):
                assert float(tester["lowest"]) <= in_nm(row, column) <= float(tester["full_scale"])


def test_a_check_has_a_tester_or_a_card_and_never_both() -> None:
    """A card names issuer, certificate and day, and is a verification without an operator."""
    for row in READINGS:
        card = (row["card_issuer"], row["card_certificate"], row["card_issued_on"])
        if row["tester"]:
            assert card == ("", "", "")
            assert row["operator"].startswith("bench ")
            assert row["kind"] != CheckKind.VERIFICATION
        else:
            assert all(card)
            assert row["operator"] == ""
            assert row["kind"] == CheckKind.VERIFICATION
            assert date.fromisoformat(row["card_issued_on"]) == performed_at(row).date()


def test_every_card_but_one_states_whose_it_is_and_what_it_promises() -> None:
    silent = set()
    for row in READINGS:
        stated = [row[column] for column in CHECK_COLUMNS.split(",")[15:]]
        if row["tester"] or not any(stated):
            assert not any(stated)
            silent |= {row["wrench"]} if not row["tester"] else set()
            continue
        wrench = WRENCHES[row["wrench"]]
        assert (row["card_serial"], row["card_model"]) == (wrench["serial"], wrench["model"])
        assert row["card_mpd_pct"] == wrench[f"mpd_{row['direction']}_pct"]
        assert row["card_mpd_basis"] == wrench["mpd_basis"]
    assert silent == {"SP-120"}


def test_checks_fall_in_working_hours_of_the_three_years() -> None:
    """Monday to Friday between 07:30 and 15:30 UTC; only cards are older than the records."""
    for row in READINGS:
        moment = performed_at(row)
        assert moment.weekday() < 5
        assert time(7, 30) <= moment.time() < time(15, 30)
        assert moment.date() <= datasets_demo.LAST_DAY
        if row["tester"]:
            assert moment.date() >= datasets_demo.FIRST_DAY


def test_rows_of_a_check_stand_together_and_hold_three_or_five_readings_a_target() -> None:
    """Rows with the same key form one check; targets come once, each with the same repeats."""
    keys: list[tuple[str, ...]] = []
    readings: defaultdict[tuple[str, ...], defaultdict[str, int]] = defaultdict(
        lambda: defaultdict(int)
    )
    for row in READINGS:
        key = (row["wrench"], row["kind"], row["direction"], row["performed_at"], row["tester"])
        if not keys or keys[-1] != key:
            keys.append(key)
        readings[key][row["target"]] += 1
    assert len(keys) == len(set(keys))
    for targets in readings.values():
        assert set(targets.values()) in ({3}, {5})
        assert 2 <= len(targets) <= 4


def test_cycle_counts_never_fall() -> None:
    """A count that goes back would be refused on the way in."""
    highest: dict[str, int] = {}
    counted = set()
    for row in READINGS:  # in the order of time
        if row["cycle_count"]:
            count = int(row["cycle_count"])
            assert count >= highest.get(row["wrench"], 0)
            highest[row["wrench"]] = count
            counted.add(row["wrench"])
    assert len(counted) > 0.7 * len(WRENCHES)


def test_a_tester_serves_one_wrench_at_a_time() -> None:
    """Between the first and the last check of a visit no other wrench is on the same tester."""
    visits: defaultdict[tuple[str, date], defaultdict[str, list[datetime]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for row in READINGS:
        if row["tester"]:
            moment = performed_at(row)
            visits[row["tester"], moment.date()][row["wrench"]].append(moment)
    busiest = 0
    for by_wrench in visits.values():
        spans = sorted((min(moments), max(moments)) for moments in by_wrench.values())
        busiest = max(busiest, len(spans))
        for (_, end), (start, _) in pairwise(spans):
            assert end < start
    assert busiest > 1
