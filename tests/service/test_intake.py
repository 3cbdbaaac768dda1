"""The rules for a check: each refusal with its field and its remedy, and what just passes."""

import dataclasses
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from sample_records import NOW, a_card, a_check, a_tester, a_wrench, nm

from analysis.vocabulary import CheckKind, Direction
from service.findings import Refused
from service.intake import CheckDraft, CycleCounts, PointDraft, admit_check, is_recorded_as
from service.records import Policy, Void
from service.torque import Torque

WRENCH = a_wrench()  # 20 to 100 N.m, clockwise
TESTER = a_tester()  # 10 to 200 N.m, 2025-01-10 to 2027-01-10


def point(target=60.0, *readings, indicated=None, unit="N.m"):
    return PointDraft(
        target=Torque.of(target, unit),
        readings=tuple(Torque.of(value, unit) for value in readings or (target,) * 5),
        indicated=None if indicated is None else tuple(Torque.of(v, unit) for v in indicated),
    )


def a_draft(**changes):
    fields = {
        "kind": CheckKind.AS_FOUND,
        "direction": Direction.CLOCKWISE,
        "performed_at": NOW - timedelta(days=1),
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": 21.5,
        "cycle_count": 1200,
        "points": (point(20.0), point(60.0), point(100.0)),
    }
    return CheckDraft(**(fields | changes))


def admit(draft, **context):
    defaults = {
        "wrench": WRENCH,
        "tester": TESTER,
        "policy": Policy(),
        "earlier": CycleCounts(),
        "now": NOW,
    }
    return admit_check(draft, **(defaults | context))


def findings_of(draft, **context):
    with pytest.raises(Refused) as caught:
        admit(draft, **context)
    findings = caught.value.findings
    assert all(finding.remedy for finding in findings)
    return findings


def fields_of(draft, **context):
    return [finding.field for finding in findings_of(draft, **context)]


def test_a_good_draft_becomes_a_check_with_its_own_id_and_utc_times():
    berlin_summer = timezone(timedelta(hours=2))
    draft = a_draft(performed_at=(NOW - timedelta(days=1)).astimezone(berlin_summer))
    first, second = admit(draft), admit(draft)
    assert first.id != second.id
    assert first.performed_at == NOW - timedelta(days=1)
    assert first.performed_at.tzinfo is UTC
    assert first.recorded_at == NOW
    assert (first.wrench, first.tester, first.operator) == ("TW-1", "TB-1", "bench 2")
    assert [p.target.nm for p in first.points] == [20, 60, 100]
    assert first.void is None


def test_a_left_out_indicated_value_is_the_target():
    check = admit(a_draft(points=(point(60.0, 59.0, 59.5), point(20.0, 19.9, indicated=[20.5]))))
    assert [reading.indicated.nm for reading in check.points[0].readings] == [60, 60]
    assert [reading.indicated.nm for reading in check.points[1].readings] == [20.5]


# --- when ---------------------------------------------------------------------------------------


def test_a_naive_time_is_refused_and_nothing_else_is_made_of_it():
    naive = datetime(2026, 5, 3, 8, 0)  # noqa: DTZ001 - that is the fault
    (finding,) = findings_of(a_draft(performed_at=naive), earlier=CycleCounts([(NOW, 1)]))
    assert finding.field == "/performed_at"
    assert "time zone" in finding.detail


@pytest.mark.parametrize(
    ("performed_at", "passes"),
    [
        (NOW + timedelta(minutes=5), True),
        (NOW + timedelta(minutes=5, microseconds=1), False),
        (datetime(1969, 12, 31, tzinfo=UTC), False),
        (datetime(1, 1, 1, tzinfo=UTC), False),
        (datetime(9999, 12, 31, 23, 59, tzinfo=UTC), False),
    ],
    ids=["clock a little ahead", "future", "before 1970", "first instant", "last instant"],
)
@pytest.mark.parametrize("zone", ["UTC", "America/Lima", "Pacific/Auckland"])
def test_time_has_its_bounds(performed_at, passes, zone):
    """Instants at the ends of the calendar have no day in every zone, and fall all the same."""
    draft, policy = a_draft(performed_at=performed_at), Policy(time_zone=zone)
    if passes:
        admit(draft, policy=policy)
    else:
        assert fields_of(draft, policy=policy) == ["/performed_at"]


# --- who measured -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("calibrated_on", "due_on", "passes"),
    [
        (date(2026, 5, 3), date(2026, 5, 3), True),
        (date(2026, 5, 4), date(2027, 1, 1), False),
        (date(2025, 1, 1), date(2026, 5, 2), False),
    ],
    ids=["on the very day", "calibrated after", "due before"],
)
def test_the_tester_is_in_calibration_on_the_day_of_the_check(calibrated_on, due_on, passes):
    """The check is of 2026-05-03."""
    tester = a_tester(calibrated_on=calibrated_on, due_on=due_on)
    if passes:
        admit(a_draft(), tester=tester)
    else:
        (finding,) = findings_of(a_draft(), tester=tester)
        assert finding.field == "/tester"


def test_the_day_of_the_check_is_the_shops_day():
    """2026-05-03T23:30Z is the 4th of May in Auckland already."""
    draft = a_draft(performed_at=datetime(2026, 5, 3, 23, 30, tzinfo=UTC))
    tester = a_tester(due_on=date(2026, 5, 3))
    admit(draft, tester=tester)
    policy = Policy(time_zone="Pacific/Auckland")
    assert fields_of(draft, tester=tester, policy=policy) == ["/tester"]


def test_an_unknown_tester_and_none_at_all_are_told_apart():
    (unknown,) = findings_of(a_draft(tester="TB-9"), tester=None)
    assert "'TB-9'" in unknown.detail
    (nobody,) = findings_of(a_draft(tester=None), tester=None)
    assert "neither a tester nor a card" in nobody.detail


def test_a_card_stands_without_tester():
    card = a_card(issued_on=date(2026, 5, 3))
    check = admit(a_draft(tester=None, card=card), tester=None)
    assert check.card == card
    assert fields_of(a_draft(card=card)) == ["/tester"]  # both at once


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"issuer": " "}, "/card/issuer"),
        ({"certificate": ""}, "/card/certificate"),
        ({"certificate": "x" * 201}, "/card/certificate"),
        ({"issued_on": date(2026, 5, 1)}, "/card/issued_on"),
        ({"issued_on": date(2026, 5, 6)}, "/card/issued_on"),
        ({"expanded_uncertainty_pct": 0.0}, "/card/expanded_uncertainty_pct"),
        ({"expanded_uncertainty_pct": float("nan")}, "/card/expanded_uncertainty_pct"),
        ({"coverage_factor": 0.5}, "/card/coverage_factor"),
        ({"coverage_factor": float("inf")}, "/card/coverage_factor"),
    ],
)
def test_a_card_says_who_when_and_how_well(changes, field):
    card = a_card(**({"issued_on": date(2026, 5, 4)} | changes))
    assert fields_of(a_draft(tester=None, card=card), tester=None) == [field]


# --- what around it -----------------------------------------------------------------------------


def test_a_direction_without_stated_tolerance_is_refused_with_a_way_out():
    (finding,) = findings_of(a_draft(direction=Direction.COUNTER_CLOCKWISE))
    assert finding.field == "/direction"
    assert "maximum permissible deviation" in finding.remedy


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"operator": "x" * 201}, "/operator"),
        ({"temperature_c": -41.0}, "/temperature_c"),
        ({"temperature_c": 61.0}, "/temperature_c"),
        ({"temperature_c": float("nan")}, "/temperature_c"),
        ({"cycle_count": -1}, "/cycle_count"),
        ({"cycle_count": 2**53}, "/cycle_count"),
    ],
)
def test_circumstances_have_their_bounds(changes, field):
    assert fields_of(a_draft(**changes)) == [field]


@pytest.mark.parametrize(
    ("count", "refused_as"),
    [(999, "lower than the 1000"), (1000, None), (1500, None), (2000, None), (2001, "higher than")],
)
def test_a_count_lies_between_its_neighbours(count, refused_as):
    earlier = CycleCounts([(NOW, 2000), (NOW - timedelta(days=9), 1000)])
    draft = a_draft(cycle_count=count)
    if refused_as is None:
        admit(draft, earlier=earlier)
    else:
        (finding,) = findings_of(draft, earlier=earlier)
        assert finding.field == "/cycle_count"
        assert refused_as in finding.detail


def test_a_count_added_bounds_the_next():
    counts = CycleCounts()
    assert counts.bounds(NOW) == (0, None)
    counts.add(NOW, 10)
    assert counts.bounds(NOW + timedelta(1)) == (10, None)
    assert counts.bounds(NOW - timedelta(1)) == (0, 10)


def test_only_a_voided_check_of_the_same_wrench_is_replaced():
    old = a_check()
    draft = a_draft(replaces=old.id)
    voided = dataclasses.replace(old, void=Void(at=NOW, reason="mixed up"))
    assert admit(draft, replaced=voided).replaces == old.id
    for replaced in (None, old, dataclasses.replace(voided, wrench="TW-2")):
        assert fields_of(draft, replaced=replaced) == ["/replaces"]


# --- torques ------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [0.0, -60.0, float("nan"), float("inf"), -float("inf")])
@pytest.mark.parametrize(
    ("place", "make"),
    [
        ("/points/0/target/value", lambda value: point(value, 60.0)),
        ("/points/0/readings/values/1", lambda value: point(60.0, 60.0, value)),
        ("/points/0/indicated/values/0", lambda value: point(60.0, 60.0, indicated=[value])),
    ],
)
def test_a_torque_is_a_number_above_zero(value, place, make):
    assert fields_of(a_draft(points=(make(value),))) == [place]


@pytest.mark.parametrize(
    ("target", "passes"),
    [(19.9, True), (19.89, False), (100.49, True), (100.51, False), (20.0, True)],
)
def test_targets_lie_in_the_marked_range_give_or_take_a_rounded_mark(target, passes):
    draft = a_draft(points=(point(target),))
    if passes:
        admit(draft)
    else:
        (finding,) = findings_of(draft)
        assert finding.field == "/points/0/target"
        assert "20 N.m to 100 N.m" in finding.detail


def test_a_rounded_mark_in_another_unit_is_inside():
    """150 lbf.ft is 203.37 N.m (NIST SP 811, B.8); the scale beside it says 203.4."""
    wrench = a_wrench(full_scale=Torque.of(150, "ft.lbf"))
    tester = a_tester(full_scale=nm(300))
    admit(a_draft(points=(point(203.4),)), wrench=wrench, tester=tester)


def test_the_tester_covers_target_and_readings():
    tester = a_tester(lowest=nm(30), full_scale=nm(90))
    draft = a_draft(points=(point(20.0), point(88.0, 94.0, 95.0), point(100.0)))
    assert fields_of(draft, tester=tester) == [
        "/points/0/target",
        "/points/1/readings/values/1",
        "/points/2/target",
    ]


def test_counts_of_points_and_readings_are_bounded():
    assert fields_of(a_draft(points=())) == ["/points"]
    assert fields_of(a_draft(points=tuple(point(20 + i) for i in range(51)))) == ["/points"]
    admit(a_draft(points=tuple(point(20 + i) for i in range(50))))
    empty = PointDraft(target=nm(60), readings=())
    assert fields_of(a_draft(points=(empty,))) == ["/points/0/readings/values"]
    admit(a_draft(points=(point(60.0, *[60.0] * 100),)))
    many = a_draft(points=(point(60.0, *[60.0] * 101),))
    assert fields_of(many) == ["/points/0/readings/values"]
    uneven = a_draft(points=(point(60.0, 60.0, 60.0, indicated=[60.0]),))
    assert fields_of(uneven) == ["/points/0/indicated/values"]


def test_a_target_comes_once_whatever_its_unit():
    same = PointDraft(
        target=Torque.of(60 / 1.3558179483314004, "ft.lbf"), readings=(nm(60), nm(60.1))
    )
    assert fields_of(a_draft(points=(point(60.0), same))) == ["/points/1/target"]
    admit(a_draft(points=(point(60.0), point(60.001))))


# --- slips --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "unit", "hint"),
    [
        (Torque.of(720, "in.lbf"), "ft.lbf", None),  # 720 in.lbf is 60 ft.lbf: right
        (Torque.of(720, "ft.lbf"), "ft.lbf", "720 in.lbf would fit"),
        (Torque.of(5, "ft.lbf"), "ft.lbf", "60 in.lbf would fit"),
        (Torque.of(81.3, "ft.lbf"), "ft.lbf", "81.3 N.m would fit"),
        (Torque.of(44.3, "N.m"), "N.m", "44.3 ft.lbf would fit"),
        (Torque.of(531, "N.m"), "N.m", "531 in.lbf would fit"),
        (Torque.of(44.3, "ft.lbf"), "ft.lbf", "60 N.m would fit"),
        (Torque.of(6.12, "N.m"), "N.m", "6.12 kgf.m would fit"),
        (Torque.of(121, "N.m"), "N.m", "far from"),
        (Torque.of(29, "N.m"), "N.m", "far from"),
        (Torque.of(70, "N.m"), "N.m", None),  # a bad wrench, and no slip
        (Torque.of(50, "N.m"), "N.m", None),
    ],
)
def test_a_reading_that_looks_like_a_slip_is_asked_about(reading, unit, hint):
    """Each reading stands against a target of 60 in the unit given."""
    wrench = a_wrench(lowest=nm(1), full_scale=nm(1000))
    tester = a_tester(lowest=nm(1), full_scale=nm(2000))
    slip = PointDraft(target=Torque.of(60, unit), readings=(Torque.of(60, unit), reading))
    draft = a_draft(points=(slip,))
    if hint is None:
        admit(draft, wrench=wrench, tester=tester)
        return
    (finding,) = findings_of(draft, wrench=wrench, tester=tester)
    assert finding.field == "/points/0/readings/values/1"
    assert hint in finding.detail
    assert "confirm_unusual" in finding.remedy
    confirmed = dataclasses.replace(draft, confirm_unusual=True)
    assert admit(confirmed, wrench=wrench, tester=tester).points[0].readings[1].reference == reading


def test_a_reading_is_held_against_what_the_wrench_showed():
    admit(a_draft(points=(point(60.0, 45.0, indicated=[44.5]),)))


def test_standing_by_a_slip_opens_no_other_rule():
    draft = a_draft(points=(point(150.0),), confirm_unusual=True)
    assert fields_of(draft) == ["/points/0/target"]


def test_all_findings_come_at_once():
    draft = a_draft(
        performed_at=NOW + timedelta(days=1),
        direction=Direction.COUNTER_CLOCKWISE,
        tester="TB-9",
        temperature_c=99.0,
        cycle_count=-1,
        replaces="nothing",
        points=(point(5.0), point(60.0, -1.0)),
    )
    assert fields_of(draft, tester=None) == [
        "/performed_at",
        "/direction",
        "/tester",
        "/temperature_c",
        "/cycle_count",
        "/replaces",
        "/points/0/target",
        "/points/1/readings/values/0",
    ]


# --- the same said again ------------------------------------------------------------------------


def test_a_draft_is_known_again_in_the_check_that_it_became():
    draft = a_draft()
    check = admit(draft)
    assert is_recorded_as(draft, check)
    spelled_out = a_draft(
        points=tuple(point(t, indicated=[t] * 5) for t in (20.0, 60.0, 100.0)),
        confirm_unusual=True,
    )
    assert is_recorded_as(spelled_out, check)


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": CheckKind.AS_LEFT},
        {"direction": Direction.COUNTER_CLOCKWISE},
        {"performed_at": NOW},
        {"tester": "TB-2"},
        {"operator": None},
        {"temperature_c": 21.4},
        {"cycle_count": 1201},
        {"card": a_card()},
        {"points": (point(20.0), point(60.0))},
        {"points": (point(20.0), point(60.0), point(100.0, 100.0, 100.0, 100.0, 100.0, 99.9))},
        {"points": (point(20.0), point(60.0), point(100.0, indicated=[100.0]))},
    ],
)
def test_whatever_differs_makes_it_another(changes):
    assert not is_recorded_as(a_draft(**changes), admit(a_draft()))
