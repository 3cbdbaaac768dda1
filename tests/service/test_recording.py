"""What follows from a check in its own transaction: quarantine, and the trail that tells of it."""

import dataclasses
from contextlib import suppress
from datetime import timedelta
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_records import NOW, TakenBack, a_check, a_tester, a_wrench, nm, points

from analysis.vocabulary import CheckKind, Direction
from service.exports import checks_csv, wrenches_csv
from service.imports import CheckFormat, import_checks, import_wrenches
from service.recording import (
    InQuarantine,
    change_wrench,
    record_checks,
    register_wrench,
    void_check,
)
from service.records import (
    EventKind,
    MaximumPermissibleDeviation,
    ServiceDecision,
    ServiceStatus,
)
from service.store import LOCAL_SHOP, Store

FOUND, LEFT, VERIFIED = CheckKind.AS_FOUND, CheckKind.AS_LEFT, CheckKind.VERIFICATION
CW, CCW = Direction
OUT, IN = ServiceStatus.OUT_OF_SERVICE, ServiceStatus.IN_SERVICE


def check(days_ago, passes=True, kind=FOUND, direction=CW, wrench="TW-1"):
    """A check at 100 N·m that passes, or one that delivers 6 % too little."""
    return a_check(
        wrench,
        kind=kind,
        direction=direction,
        performed_at=NOW - timedelta(days=days_ago),
        cycle_count=None,
        points=points(100, low_by=0.1 if passes else 6.0),
    )


def record(shop, *checks):
    record_checks(shop, checks, person=None, now=NOW)


def kinds(shop, serial="TW-1"):
    """The kinds of the wrench's events, oldest first."""
    return [event.kind for event in reversed(shop.events.list(serial))]


@pytest.fixture
def shop(empty_store):
    """A shop with TW-1, which states a tolerance both ways, inside one transaction."""
    with empty_store.write(LOCAL_SHOP) as records:
        records.testers.add(a_tester())
        both = a_wrench(mpd_counter_clockwise=MaximumPermissibleDeviation(percent=4))
        register_wrench(records, both, person="office")
        yield records


@pytest.mark.parametrize("kind", [FOUND, VERIFIED, LEFT])
def test_a_failed_check_takes_the_wrench_out_and_only_one_as_left_brings_it_back(shop, kind):
    failed = check(9, passes=False, kind=kind)
    record(shop, failed)
    wrench = shop.wrenches.get("TW-1")
    assert wrench.status is OUT
    assert wrench.status_reason == (
        "the check of 2026-04-25 found it out of tolerance clockwise, and it has not passed a "
        "check as left since"
    )
    assert (wrench.status_since, wrench.version) == (failed.performed_at, 2)
    assert [found.serial for found in shop.wrenches.list(status=OUT)] == ["TW-1"]
    record(shop, check(8))
    record(shop, check(7, kind=LEFT, direction=CCW))
    assert shop.wrenches.get("TW-1").status is OUT
    record(shop, check(6, kind=LEFT))
    assert shop.wrenches.get("TW-1").status is IN
    assert [found.serial for found in shop.wrenches.list(status=IN)] == ["TW-1"]
    assert kinds(shop) == [
        EventKind.REGISTERED,
        EventKind.CHECK_RECORDED,
        EventKind.QUARANTINED,
        EventKind.CHECK_RECORDED,
        EventKind.CHECK_RECORDED,
        EventKind.CHECK_RECORDED,
        EventKind.QUARANTINE_LIFTED,
    ]


def test_each_direction_has_its_own_quarantine(shop):
    record(shop, check(9, passes=False), check(8, passes=False, direction=CCW))
    assert [each.direction for each in shop.wrenches.get("TW-1").quarantine] == [CW, CCW]
    record(shop, check(7, kind=LEFT))
    wrench = shop.wrenches.get("TW-1")
    assert [each.direction for each in wrench.quarantine] == [CCW]
    assert wrench.status is OUT


def test_a_failed_check_that_arrives_after_the_one_as_left_changes_nothing(shop):
    record(shop, check(5, kind=LEFT))
    record(shop, check(6, passes=False))
    assert shop.wrenches.get("TW-1").status is IN
    assert EventKind.QUARANTINED not in kinds(shop)


def test_voiding_the_failed_check_lifts_the_quarantine_and_the_trail_says_why(shop):
    failed = check(9, passes=False)
    record(shop, failed)
    void_check(shop, failed.id, "wrong tester", person="lead", now=NOW)
    assert shop.wrenches.get("TW-1").status is IN
    lifted, voided, *_ = shop.events.list("TW-1")
    assert (voided.kind, voided.check, voided.why) == (
        EventKind.CHECK_VOIDED,
        failed.id,
        "wrong tester",
    )
    assert (lifted.kind, lifted.person) == (EventKind.QUARANTINE_LIFTED, "lead")
    assert lifted.why == f"check {failed.id} was voided: wrong tester"


def test_voiding_the_check_as_left_puts_the_wrench_back_in_quarantine(shop):
    left = check(8, kind=LEFT)
    record(shop, check(9, passes=False), left)
    assert shop.wrenches.get("TW-1").status is IN
    void_check(shop, left.id, "was another wrench", person=None, now=NOW)
    assert shop.wrenches.get("TW-1").status is OUT


def test_the_second_failed_check_holds_it_when_the_first_is_voided(shop):
    first, second = check(9, passes=False), check(8, passes=False)
    record(shop, first, second)
    void_check(shop, first.id, "wrong tester", person=None, now=NOW)
    (held,) = shop.wrenches.get("TW-1").quarantine
    assert (held.check, held.since) == (second.id, second.performed_at)


def test_a_person_cannot_put_a_wrench_in_service_against_its_checks(shop):
    record(shop, check(9, passes=False))
    wrench = shop.wrenches.get("TW-1")
    decided = dataclasses.replace(
        wrench, decision=ServiceDecision(status=IN, reason="looks fine", since=NOW)
    )
    with pytest.raises(InQuarantine, match="found it out of tolerance"):
        change_wrench(shop, decided, wrench.version, releases=True, person=None, now=NOW)
    assert shop.wrenches.get("TW-1") == wrench


def test_what_a_person_took_out_stays_out_when_its_checks_let_it_go(shop):
    wrench = shop.wrenches.get("TW-1")
    taken = dataclasses.replace(
        wrench, decision=ServiceDecision(status=OUT, reason="drive cracked", since=NOW)
    )
    change_wrench(shop, taken, 1, releases=False, person="lead", now=NOW)
    record(shop, check(9, passes=False))
    both = shop.wrenches.get("TW-1").status_reason
    assert both is not None
    assert both.startswith("drive cracked; the check of 2026-04-25 found it out")
    record(shop, check(8, kind=LEFT))
    wrench = shop.wrenches.get("TW-1")
    assert (wrench.status, wrench.status_reason, wrench.quarantine) == (OUT, "drive cracked", ())


def test_a_change_of_the_tolerance_is_followed_and_told(shop):
    """The checks are judged by the tolerance that is registered: a slip there is mended there."""
    record(shop, check(9, passes=False))
    wrench = shop.wrenches.get("TW-1")
    wider = dataclasses.replace(wrench, mpd_clockwise=MaximumPermissibleDeviation(percent=10))
    changed = change_wrench(shop, wider, 2, releases=False, person="lead", now=NOW)
    assert changed.status is IN
    lifted, told, *_ = shop.events.list("TW-1")
    assert lifted.kind is EventKind.QUARANTINE_LIFTED
    (change,) = told.changes
    assert (change.field, change.before, change.after) == (
        "mpd_clockwise",
        "±4 % of reading",
        "±10 % of reading",
    )


def test_a_change_that_changes_nothing_is_not_told(shop):
    wrench = shop.wrenches.get("TW-1")
    change_wrench(shop, wrench, 1, releases=False, person=None, now=NOW)
    assert kinds(shop) == [EventKind.REGISTERED]


HISTORY = (
    (40, True, FOUND),
    (30, False, FOUND),
    (30, True, LEFT),
    (10, False, VERIFIED),
)


@pytest.fixture(scope="module")
def shared_store(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("recording") / "shop.db", migrate=True) as store:
        with store.write(LOCAL_SHOP) as records:
            records.testers.add(a_tester())
            records.wrenches.add(a_wrench())
        yield store


def test_a_history_that_comes_check_by_check_in_any_order_ends_alike(shared_store):
    for order in permutations(HISTORY):
        with suppress(TakenBack), shared_store.write(LOCAL_SHOP) as records:
            for days_ago, passes, kind in order:
                record(records, check(days_ago, passes, kind))
            (held,) = records.wrenches.get("TW-1").quarantine
            assert held.since == NOW - timedelta(days=10)
            raise TakenBack


@settings(deadline=None, max_examples=25)
@given(
    history=st.lists(
        st.tuples(st.integers(1, 60), st.booleans(), st.sampled_from(CheckKind)),
        max_size=5,
        unique_by=lambda visit: (visit[0], visit[2]),
    ),
    order=st.randoms(use_true_random=False),
    cut=st.integers(0, 5),
)
def test_neither_order_nor_batches_of_arrival_change_where_a_wrench_ends(
    shared_store, history, order, cut
):
    made = [check(*visit) for visit in history]
    shuffled = list(made)
    order.shuffle(shuffled)
    ends = []
    for batches in ([made], [shuffled[:cut], shuffled[cut:]], [[each] for each in shuffled]):
        with suppress(TakenBack), shared_store.write(LOCAL_SHOP) as records:
            for batch in batches:
                record(records, *batch)
            ends.append(records.wrenches.get("TW-1").quarantine)
            raise TakenBack
    assert ends[0] == ends[1] == ends[2]


def test_a_history_of_a_file_ends_as_it_did_where_it_came_from(shop, tmp_path):
    """The CSV of wrenches carries what a person decided, that of checks brings the quarantine."""
    record(shop, check(30, passes=False), check(29, kind=LEFT), check(9, passes=False))
    wrenches = "".join(wrenches_csv(shop.wrenches.list())).encode()
    checks = "".join(checks_csv(reversed(list(shop.checks.every())))).encode()
    assert b"out_of_service" not in wrenches
    with (
        Store.open(tmp_path / "copy.db", migrate=True) as copy,
        copy.write(LOCAL_SHOP) as other,
    ):
        other.testers.add(a_tester())
        import_wrenches(other, wrenches, now=NOW)
        import_checks(other, checks, CheckFormat.CSV, now=NOW)
        (here,), (there,) = (records.wrenches.get("TW-1").quarantine for records in (shop, other))
        assert there.since == here.since
        again = import_wrenches(other, wrenches, now=NOW)
        assert again.already_there == ("TW-1",)
        assert kinds(other).count(EventKind.QUARANTINED) == 1


def test_many_wrenches_at_once_are_settled_as_one_by_one(shop):
    serials = [f"W-{number:02}" for number in range(25)]
    for serial in serials:
        register_wrench(shop, a_wrench(serial), person=None)
    record(shop, *(check(5, passes=place % 3 > 0, wrench=w) for place, w in enumerate(serials)))
    out = {wrench.serial for wrench in shop.wrenches.list(status=OUT)}
    assert out == {serial for place, serial in enumerate(serials) if place % 3 == 0}


def test_nothing_is_told_of_what_was_taken_back(shared_store):
    with suppress(TakenBack), shared_store.write(LOCAL_SHOP) as records:
        record(records, check(9, passes=False))
        assert records.events.list("TW-1")
        raise TakenBack
    with shared_store.read(LOCAL_SHOP) as records:
        assert records.events.list("TW-1") == ()
        assert records.wrenches.get("TW-1").status is IN


def test_a_wrench_that_comes_out_of_service_in_a_file_is_told_so(shop):
    register_wrench(
        shop,
        a_wrench("OLD", decision=ServiceDecision(status=OUT, reason="cracked", since=NOW)),
        person=None,
    )
    assert kinds(shop, "OLD") == [EventKind.REGISTERED, EventKind.TAKEN_OUT]


def test_torques_are_told_in_their_own_unit(shop):
    wrench = shop.wrenches.get("TW-1")
    change_wrench(
        shop,
        dataclasses.replace(wrench, resolution=None, lowest=nm(25)),
        1,
        releases=False,
        person=None,
        now=NOW,
    )
    told, *_ = shop.events.list("TW-1")
    assert {(each.field, each.before, each.after) for each in told.changes} == {
        ("lowest", "20 N.m", "25 N.m"),
        ("resolution", "0.5 N.m", None),
    }
