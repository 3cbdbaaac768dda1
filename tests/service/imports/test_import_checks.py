"""Files of checks: rows become checks, faults are named by row, and the same check counts once."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from sample_records import NOW, a_wrench

from service.findings import Refused
from service.imports import CheckFormat, import_checks
from service.records import MaximumPermissibleDeviation
from service.store import LOCAL_SHOP

HEADER = (
    "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,reading,"
    "indicated,unit,card_issuer,card_certificate,card_issued_on"
)
BODY = {
    "wrench": "TW-1",
    "kind": "as_found",
    "direction": "clockwise",
    "performed_at": "2026-05-03T08:00:00Z",
    "tester": "TB-1",
    "points": [
        {
            "target": {"value": 60, "unit": "N.m"},
            "readings": {"values": [59.5, 59.6], "unit": "N.m"},
        }
    ],
}


def row(**changes):
    cells = {
        "wrench": "TW-1",
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": "2026-05-03T08:00:00Z",
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": "21.5",
        "cycle_count": "1200",
        "target": "60",
        "reading": "59.5",
        "indicated": "",
        "unit": "N.m",
        "card_issuer": "",
        "card_certificate": "",
        "card_issued_on": "",
    } | changes
    return ",".join(cells.values())


def csv_of(*rows, header=HEADER, end="\n"):
    return (end.join([header, *rows]) + end).encode()


def ndjson_of(*bodies):
    return "".join(json.dumps(body) + "\n" for body in bodies).encode()


@pytest.fixture
def bring(store):
    """Import into a store with the wrench TW-1 and the tester TB-1; what it reports."""

    def bring_in(data, file_format=CheckFormat.CSV, **options):
        with store.write(LOCAL_SHOP) as shop:
            return import_checks(shop, data, file_format, now=NOW, **options)

    return bring_in


@pytest.fixture
def stored(store):
    """What the store holds by now."""

    def read():
        with store.read(LOCAL_SHOP) as shop:
            return tuple(shop.checks.every())

    return read


def findings(bring, data, file_format=CheckFormat.CSV, **options):
    """Row, field and detail of each finding of a refused file."""
    with pytest.raises(Refused) as caught:
        bring(data, file_format, **options)
    assert all(finding.remedy for finding in caught.value.findings)
    return [(finding.row, finding.field, finding.detail) for finding in caught.value.findings]


def places(bring, data, file_format=CheckFormat.CSV, **options):
    return [found[:2] for found in findings(bring, data, file_format, **options)]


# --- rows to checks -----------------------------------------------------------------------------


def test_rows_become_checks_points_and_readings_wherever_they_stand(bring, stored):
    """The second check's rows stand between those of the first, which is written in two zones."""
    report = bring(
        csv_of(
            row(target="60", reading="59.5"),
            row(kind="as_left", target="60", reading="60"),
            row(target="20", reading="19.5"),
            row(performed_at="2026-05-03T10:00:00+02:00", target="60", reading="59.25"),
            row(kind="as_left", target="60", reading="60.5"),
        )
    )
    first, second = stored()
    assert report.stored == (first.id, second.id)
    assert first.performed_at == datetime(2026, 5, 3, 8, tzinfo=UTC)
    assert [
        (point.target.nm, [reading.reference.nm for reading in point.readings])
        for point in first.points
    ] == [(60.0, [59.5, 59.25]), (20.0, [19.5])]
    assert (first.operator, first.temperature_c, first.cycle_count) == ("bench 2", 21.5, 1200)
    assert first.recorded_at == NOW
    assert [reading.reference.nm for reading in second.points[0].readings] == [60.0, 60.5]


def test_an_empty_indicated_cell_is_the_target(bring, stored):
    bring(csv_of(row(indicated=""), row(indicated="60.4")))
    (check,) = stored()
    assert [reading.indicated.nm for reading in check.points[0].readings] == [60.0, 60.4]


def test_a_card_comes_without_tester(bring, stored):
    bring(
        csv_of(
            row(
                kind="verification",
                tester="",
                operator="",
                temperature_c="",
                cycle_count="",
                card_issuer='"Maker, bench 1"',
                card_certificate="W-1",
                card_issued_on="2026-05-04",
            )
        )
    )
    (check,) = stored()
    assert check.card is not None
    assert (check.card.issuer, check.card.certificate) == ("Maker, bench 1", "W-1")
    assert (check.tester, check.operator, check.temperature_c, check.cycle_count) == (None,) * 4


def test_spellings_of_units_and_blanks_around_words_are_understood(bring, stored):
    bring(csv_of(row(target=" 44.3 ", reading="44.0", unit=" ft-lb ", kind=" as_found ")))
    (check,) = stored()
    assert check.points[0].target.unit == "ft.lbf"
    # 1 ft.lbf = 1.3558179483314004 N.m: NIST SP 811, appendix B.8
    assert check.points[0].target.nm == pytest.approx(44.3 * 1.3558179483314004, rel=1e-15)


def test_optional_columns_give_target_and_indicated_value_their_own_unit(bring, stored):
    header = HEADER + ",target_unit,indicated_unit,card_coverage_factor"
    bring(
        csv_of(row(reading="44.0", unit="ft.lbf", indicated="6.1") + ",N.m,kgf.m,", header=header)
    )
    reading = stored()[0].points[0].readings[0]
    assert (reading.reference.unit, reading.indicated.unit) == ("ft.lbf", "kgf.m")


def test_a_half_filled_indicated_column_in_another_unit_cannot_be_completed(bring):
    header = HEADER + ",target_unit,indicated_unit"
    data = csv_of(
        row(indicated="6.1") + ",N.m,kgf.m", row(indicated="") + ",N.m,kgf.m", header=header
    )
    assert places(bring, data) == [(2, "indicated")]


def test_columns_may_come_in_any_order_with_any_line_end_and_a_byte_order_mark(bring, stored):
    names = HEADER.split(",")
    cells = row().split(",")
    data = csv_of(",".join(cells[::-1]), header=",".join(names[::-1]), end="\r\n")
    bring(b"\xef\xbb\xbf" + data)
    assert len(stored()) == 1


def test_blank_lines_count_as_rows_but_say_nothing(bring):
    data = csv_of(row(), "", "," * 14, row(reading="x"))
    assert places(bring, data) == [(4, "reading")]


def test_a_line_of_ndjson_is_a_check(bring, stored):
    card = {"issuer": "maker", "certificate": "W-1", "issued_on": "2026-05-04"}
    of_card = {**BODY, "kind": "verification", "card": card}
    del of_card["tester"]
    report = bring(ndjson_of(BODY, of_card) + b"\n", CheckFormat.NDJSON)
    checks = stored()
    assert report.stored == tuple(check.id for check in checks)
    assert [check.card is not None for check in checks] == [False, True]


# --- faults by row ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"kind": "as_lost"}, "kind"),
        ({"kind": ""}, "kind"),
        ({"direction": "left"}, "direction"),
        ({"direction": "counter_clockwise"}, "direction"),
        ({"performed_at": "yesterday"}, "performed_at"),
        ({"performed_at": "2026-05-03T08:00:00"}, "performed_at"),
        ({"performed_at": "2026-06-03T08:00:00Z"}, "performed_at"),
        ({"performed_at": "46145.33"}, "performed_at"),
        ({"wrench": "TW-9"}, "wrench"),
        ({"wrench": ""}, "wrench"),
        ({"tester": "TB-9"}, "tester"),
        ({"tester": ""}, "tester"),
        ({"temperature_c": "warm"}, "temperature_c"),
        ({"temperature_c": "99"}, "temperature_c"),
        ({"cycle_count": "12.5"}, "cycle_count"),
        ({"cycle_count": "-3"}, "cycle_count"),
        ({"operator": "x" * 201}, "operator"),
        ({"target": ""}, "target"),
        ({"target": "600", "reading": "600"}, "target"),
        ({"reading": ""}, "reading"),
        ({"reading": "59.5 N.m"}, "reading"),
        ({"reading": '"59,5"'}, "reading"),
        ({"reading": "nan"}, "reading"),
        ({"reading": "inf"}, "reading"),
        ({"reading": "1e999"}, "reading"),
        ({"reading": "0x3b"}, "reading"),
        ({"reading": "\uff15\uff19"}, "reading"),
        ({"reading": "0"}, "reading"),
        ({"reading": "-59.5"}, "reading"),
        ({"reading": "44.2"}, "reading"),
        ({"indicated": "-60"}, "indicated"),
        ({"indicated": "true"}, "indicated"),
        ({"unit": ""}, "unit"),
        ({"unit": "J"}, "unit"),
        ({"card_issuer": "maker", "card_certificate": "W-1"}, "card_issued_on"),
        (
            {"card_issuer": "maker", "card_certificate": "W-1", "card_issued_on": "2026-05-04"},
            "tester",
        ),
        (
            {
                "tester": "",
                "card_issuer": "maker",
                "card_certificate": "W-1",
                "card_issued_on": "4.5.2026",
            },
            "card_issued_on",
        ),
    ],
)
def test_a_fault_is_named_by_column_and_row(bring, stored, changes, field):
    good = row(performed_at="2026-05-02T08:00:00Z")
    data = csv_of(good, row(**changes))
    assert set(places(bring, data)) == {(2, field)}
    assert stored() == ()


def test_every_fault_of_a_file_is_reported_in_the_order_of_its_rows(bring):
    data = csv_of(
        row(wrench="TW-9"),
        row(reading="x"),
        row(performed_at="2026-05-02T08:00:00Z", temperature_c="x", target="y"),
        row(performed_at="2026-05-01T08:00:00Z") + ",more",
        row(performed_at="2026-05-01T08:00:00Z", target="15", reading="15"),
    )
    assert places(bring, data) == [
        (1, "wrench"),
        (2, "reading"),
        (3, "temperature_c"),
        (3, "target"),
        (4, ""),
        (5, "target"),
    ]


def test_a_fault_deep_in_a_check_is_named_by_its_own_row(bring):
    data = csv_of(
        row(target="20", reading="20"),
        row(target="60", reading="60"),
        row(target="20", reading="20"),
        row(target="60", reading="-1"),
        row(target="200", reading="200"),
    )
    assert places(bring, data) == [(4, "reading"), (5, "target")]


@pytest.mark.parametrize(
    ("column", "other"),
    [("operator", "somebody"), ("temperature_c", "22"), ("cycle_count", "1300")],
)
def test_rows_of_one_check_agree(bring, column, other):
    data = csv_of(row(), row(reading="59"), row(**{column: other}))
    ((number, field, detail),) = findings(bring, data)
    assert (number, field) == (3, column)
    assert "row 1" in detail


def test_readings_at_one_target_have_one_unit(bring):
    header = HEADER + ",target_unit"
    data = csv_of(row() + ",N.m", row(reading="44", unit="ft.lbf") + ",N.m", header=header)
    assert (2, "unit") in places(bring, data)


@pytest.mark.parametrize(
    ("data", "field", "detail"),
    [
        (b"", "", "not a header"),
        (b"\n\n", "", "not a header"),
        (b"hello\n", "", "not a header"),
        (HEADER.replace(",", ";").encode(), "", "';' between the names"),
        (HEADER.replace(",unit", "").encode(), "unit", "missing"),
        (f"{HEADER},note".encode(), "note", "nothing is known"),
        (f"{HEADER},unit".encode(), "unit", "comes twice"),
        (HEADER.encode(), "", "there is no check"),
        (
            csv_of(row(operator="Gr\u00fcn")).replace("ü".encode(), b"\xfc"),
            "",
            "line 2 is not text",
        ),
        (csv_of(row(operator='"bench')), "", "is no CSV"),
        (csv_of(row(operator='"be"nch')), "", "line 2 is no CSV"),
        (csv_of(row(operator='"' + "x" * 200_000 + '"')), "", "field larger than"),
    ],
)
def test_a_file_that_cannot_be_read_at_all_is_refused_even_in_part(bring, data, field, detail):
    with pytest.raises(Refused) as caught:
        bring(data, partial=True)
    (finding,) = caught.value.findings
    assert finding.field == field
    assert detail in finding.detail


@pytest.mark.parametrize(
    ("line", "field"),
    [
        (b"{", ""),
        (b"[]", ""),
        (b"\xff", ""),
        (b'{"wrench": "TW-1", "wrench": "TW-1"}', ""),
        (b'{"temperature_c": NaN}', ""),
        (ndjson_of({**BODY, "cycle_count": True}).strip(), "/cycle_count"),
        (ndjson_of({**BODY, "cycle_count": "7"}).strip(), "/cycle_count"),
        (ndjson_of({**BODY, "colour": "red"}).strip(), "/colour"),
        (ndjson_of({k: v for k, v in BODY.items() if k != "wrench"}).strip(), "/wrench"),
        (ndjson_of({**BODY, "wrench": "TW-9"}).strip(), "/wrench"),
        (ndjson_of({**BODY, "kind": "as_left", "replaces": "no"}).strip(), "/replaces"),
    ],
)
def test_a_faulty_line_of_ndjson_is_named(bring, line, field):
    data = ndjson_of(BODY) + b"\n" + line
    assert set(places(bring, data, CheckFormat.NDJSON)) == {(3, field)}


def test_a_line_of_ndjson_corrects_a_check_of_the_same_moment(bring, stored):
    (wrong,) = bring(ndjson_of(BODY), CheckFormat.NDJSON).stored
    right = {**BODY, "operator": "bench 1", "replaces": wrong, "replaces_because": "wrong bench"}
    (kept,) = bring(ndjson_of(right), CheckFormat.NDJSON).stored
    (check,) = stored()
    assert (check.id, check.operator, check.replaces) == (kept, "bench 1", wrong)
    twice = [{**right, "replaces": kept}, {**right, "replaces": kept, "kind": "as_left"}]
    assert places(bring, ndjson_of(*twice), CheckFormat.NDJSON) == [(2, "/replaces")]


# --- in part ------------------------------------------------------------------------------------


def test_in_part_good_checks_are_stored_and_the_others_reported(bring, stored):
    data = csv_of(
        row(target="20", reading="20"),
        row(target="60", reading="x"),  # spoils the whole check: half of one is no evidence
        row(performed_at="2026-05-02T08:00:00Z"),
        row(performed_at="2026-05-01T08:00:00Z", tester="TB-9"),
    )
    report = bring(data, partial=True)
    (check,) = stored()
    assert report.stored == (check.id,)
    assert check.performed_at.day == 2
    assert [(refused.row, refused.field) for refused in report.refused] == [
        (2, "reading"),
        (4, "tester"),
    ]
    assert all(refused.detail and refused.remedy for refused in report.refused)


def test_all_or_nothing_leaves_nothing_of_a_file_with_one_fault(bring, stored):
    data = csv_of(row(), row(performed_at="2026-05-02T08:00:00Z", reading="x"))
    assert places(bring, data) == [(2, "reading")]
    assert stored() == ()


# --- the same again -----------------------------------------------------------------------------


@pytest.mark.parametrize("partial", [False, True])
def test_a_file_sent_twice_counts_once(bring, stored, partial):
    data = csv_of(row(), row(target="20", reading="20"), row(kind="as_left"))
    first = bring(data)
    again = bring(data, partial=partial)
    assert again.stored == ()
    assert sorted(again.already_there) == sorted(first.stored)
    assert len(stored()) == 2


def test_the_same_check_by_the_other_format_counts_once(bring, stored):
    bring(csv_of(row(operator="", temperature_c="", cycle_count="", reading="59.5")))
    body = {**BODY, "points": [{**BODY["points"][0], "readings": {"values": [59.5], "unit": "Nm"}}]}
    report = bring(ndjson_of(body, body), CheckFormat.NDJSON)
    (check,) = stored()
    assert report.already_there == (check.id, check.id)


def test_the_same_line_twice_in_one_file_counts_once(bring, stored):
    report = bring(ndjson_of(BODY, BODY), CheckFormat.NDJSON)
    (check,) = stored()
    assert (report.stored, report.already_there) == ((check.id,), (check.id,))


def test_another_reading_under_the_same_key_is_no_repetition(bring, stored):
    bring(csv_of(row()))
    (check,) = stored()
    ((number, field, detail),) = findings(bring, csv_of(row(reading="59.4")))
    assert (number, field) == (1, "performed_at")
    assert check.id in detail
    assert stored() == (check,)


def test_a_check_that_was_voided_can_be_imported_again(store, bring, stored):
    bring(csv_of(row()))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.void(stored()[0].id, "wrong wrench", NOW)
    assert len(bring(csv_of(row())).stored) == 1


# --- across checks ------------------------------------------------------------------------------


def test_counts_rise_within_a_file_and_against_the_store(bring):
    bring(csv_of(row(performed_at="2026-04-01T08:00:00Z", cycle_count="1000")))
    data = csv_of(
        row(performed_at="2026-04-20T08:00:00Z", cycle_count="1500"),
        row(performed_at="2026-04-10T08:00:00Z", cycle_count="1600"),
        row(performed_at="2026-04-05T08:00:00Z", cycle_count="900"),
    )
    assert places(bring, data) == [(2, "cycle_count"), (3, "cycle_count")]


def test_slips_are_stored_when_the_sender_stands_by_them(bring, stored):
    """44.2 ft.lbf is 59.9 N.m."""
    assert places(bring, csv_of(row(reading="44.2"))) == [(1, "reading")]
    bring(csv_of(row(reading="44.2")), confirm_unusual=True)
    slip = {**BODY["points"][0], "readings": {"values": [44.2], "unit": "N.m"}}
    lines = [
        {**BODY, "performed_at": f"2026-05-0{day}T08:00:00Z", "points": [slip]} for day in (1, 2)
    ]
    assert len(places(bring, ndjson_of(*lines), CheckFormat.NDJSON)) == 2
    bring(ndjson_of({**lines[0], "confirm_unusual": True}), CheckFormat.NDJSON)
    bring(ndjson_of(lines[1]), CheckFormat.NDJSON, confirm_unusual=True)
    assert len(stored()) == 3


def test_many_wrenches_in_one_file(store, bring, stored):
    with store.write(LOCAL_SHOP) as shop:
        for number in range(600):  # more than one page of keys
            shop.wrenches.add(
                a_wrench(
                    f"M-{number:03}",
                    mpd_counter_clockwise=MaximumPermissibleDeviation(percent=6),
                )
            )
    at = datetime(2026, 5, 3, tzinfo=UTC)
    rows = [
        row(wrench=f"M-{number:03}", performed_at=(at + timedelta(seconds=number)).isoformat())
        for number in range(600)
    ]
    assert len(bring(csv_of(*rows)).stored) == 600
    assert len(bring(csv_of(*rows)).already_there) == 600
    assert len(stored()) == 600
