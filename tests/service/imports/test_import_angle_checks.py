"""Files of angle checks: stored whole or not at all, each fault named by column and row."""

import dataclasses

import pytest
from sample_angle_checks import an_angle_check, angle_points
from sample_records import NOW, a_card, a_wrench

from service import exports
from service.findings import Refused
from service.imports import import_angle_checks, import_wrenches
from service.records import AnglePerformance
from service.store import LOCAL_SHOP

HEADER = (
    "wrench,kind,direction,performed_at,tester,operator,expanded_uncertainty_deg,coverage_factor,"
    "target_deg,reference_deg,indicated_deg,card_issuer,card_certificate,card_issued_on"
)
ROW = {
    "wrench": "TW-1",
    "kind": "as_found",
    "direction": "clockwise",
    "performed_at": "2026-05-04T08:10:00Z",
    "tester": "TB-1",
    "operator": "bench 2",
    "expanded_uncertainty_deg": "0.3",
    "coverage_factor": "2",
    "target_deg": "90",
    "reference_deg": "89.7",
    "indicated_deg": "",
    "card_issuer": "",
    "card_certificate": "",
    "card_issued_on": "",
}


@pytest.fixture
def shop_store(store):
    """A store whose wrench TW-1 shows angles."""
    with store.write(LOCAL_SHOP) as shop:
        wrench = shop.wrenches.get("TW-1")
        shown = dataclasses.replace(wrench, angle=AnglePerformance(mpd_deg=2.0, highest_deg=360))
        shop.wrenches.update(shown, 1)
    return store


def bring(store, *rows, **options):
    text = "\n".join([HEADER, *(",".join((ROW | row).values()) for row in rows)]) + "\n"
    with store.write(LOCAL_SHOP) as shop:
        return import_angle_checks(shop, text.encode(), now=NOW, **options)


def places(store, *rows):
    with pytest.raises(Refused) as caught:
        bring(store, *rows)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.angle_checks.every() == ()
    return [(finding.row, finding.field) for finding in caught.value.findings]


def test_rows_of_one_time_form_one_check_and_rows_of_one_target_one_point(shop_store):
    report = bring(
        shop_store,
        {},
        {"target_deg": "180", "reference_deg": "179.1", "indicated_deg": "180.4"},
        {"reference_deg": "89.9"},
        {"performed_at": "2026-05-04T09:10:00Z"},
    )
    assert len(report.stored) == 2
    with shop_store.read(LOCAL_SHOP) as shop:
        first = shop.angle_checks.get(report.stored[0])
    assert [point.target_deg for point in first.points] == [90, 180]
    assert [each.reference_deg for each in first.points[0].readings] == [89.7, 89.9]
    assert first.points[1].readings[0].indicated_deg == 180.4


def test_what_is_there_and_says_the_same_counts_once(shop_store):
    stored = bring(shop_store, {}).stored
    again = bring(shop_store, {})
    assert (again.stored, again.already_there) == ((), stored)
    with pytest.raises(Refused, match="says something else"):
        bring(shop_store, {"reference_deg": "89.6"})


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"wrench": "TW-9"}, "wrench"),
        ({"kind": "found"}, "kind"),
        ({"performed_at": "4.5.2026"}, "performed_at"),
        ({"performed_at": "2027-05-04T08:10:00Z"}, "performed_at"),
        ({"tester": "TB-9"}, "tester"),
        ({"target_deg": "720", "reference_deg": "719"}, "target_deg"),
        ({"target_deg": ""}, "target_deg"),
        ({"reference_deg": "89.7°"}, "reference_deg"),
        ({"reference_deg": "1.57"}, "reference_deg"),
        ({"indicated_deg": "-90"}, "indicated_deg"),
        ({"coverage_factor": "9"}, "coverage_factor"),
    ],
)
def test_a_faulty_row_is_named_by_column_and_nothing_is_stored(shop_store, changes, field):
    good = {"performed_at": "2026-05-03T08:10:00Z"}
    assert places(shop_store, good, changes) == [(2, field)]


def test_rows_of_one_check_say_the_same_of_it(shop_store):
    assert places(shop_store, {}, {"operator": "bench 1"}) == [(2, "operator")]


def test_an_unusual_reading_is_taken_when_the_sender_stands_by_it(shop_store):
    assert len(bring(shop_store, {"reference_deg": "30"}, confirm_unusual=True).stored) == 1


def test_a_wrench_without_angle_performance_takes_none(store):
    (place,) = places(store, {})
    assert place == (1, "wrench")


def test_a_file_without_rows_is_refused(shop_store):
    assert places(shop_store) == [(None, "")]


@pytest.mark.parametrize(
    "check",
    [
        an_angle_check(points=angle_points(90.0, 45.5, less_by=(0.1, -0.3, 1 / 3))),
        an_angle_check(
            tester=None,
            operator=None,
            expanded_uncertainty_deg=None,
            coverage_factor=None,
            card=a_card(issued_on=NOW.date()),
        ),
    ],
    ids=["tester", "card"],
)
def test_what_is_exported_can_be_imported(shop_store, check):
    text = "".join(exports.angle_checks_csv([check]))
    with shop_store.write(LOCAL_SHOP) as shop:
        import_angle_checks(shop, text.encode(), now=NOW)
        (found,) = shop.angle_checks.every()
    assert dataclasses.replace(found, id=check.id) == check


@pytest.mark.parametrize(
    "angle",
    [
        None,
        AnglePerformance(mpd_pct=2.5),
        AnglePerformance(mpd_deg=2.0, mpd_pct=1.0, resolution_deg=0.1, highest_deg=360.0),
    ],
)
def test_the_angle_performance_of_a_wrench_is_exported_and_imported(empty_store, angle):
    wrench = a_wrench(angle=angle)
    with empty_store.write(LOCAL_SHOP) as shop:
        text = "".join(exports.wrenches_csv([wrench]))
        import_wrenches(shop, text.encode(), now=wrench.registered_at)
        assert shop.wrenches.get("TW-1") == wrench
