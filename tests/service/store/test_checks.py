"""Checks: whole and in order, the same check once, whichever thread brings it."""

import dataclasses
import threading
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_records import NOW, TakenBack, a_card, a_check, a_tester, a_wrench, nm, points
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError

from analysis.vocabulary import CheckKind, Direction
from service.earlier import past_readings
from service.records import Check, Point, Reading
from service.store import LOCAL_SHOP, DuplicateRecord, Store, UnknownRecord
from service.store.check_rows import check_columns
from service.store.tables import CheckRow
from service.torque import Torque

FULL_CHECK = a_check(
    kind=CheckKind.VERIFICATION,
    performed_at=datetime(2026, 5, 1, 8, 0, 0, 123456, tzinfo=UTC),
    tester=None,
    card=a_card(expanded_uncertainty_pct=0.45, coverage_factor=2.0),
    points=(
        Point(
            target=Torque.of(20.1, "N.m"),
            readings=(
                Reading(reference=Torque.of(14.79, "ft.lbf"), indicated=Torque.of(20.2, "N.m")),
                Reading(reference=Torque.of(177.8, "in.lbf"), indicated=Torque.of(2.05, "kgf.m")),
            ),
        ),
        *points(100, 60, repeats=1),  # the order of points is kept as well
    ),
)
BARE_CHECK = a_check(operator=None, temperature_c=None, cycle_count=None)


@pytest.mark.parametrize("check", [FULL_CHECK, BARE_CHECK], ids=["full", "bare"])
def test_a_check_comes_back_as_it_went_in(store, check):
    with store.write(LOCAL_SHOP) as shop:
        assert shop.checks.add(check) == check
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.get(check.id) == check
        assert shop.checks.last("TW-1") == check


def test_the_readings_before_a_check_are_those_of_the_latest_ones_in_its_direction(store):
    def check(hours: int, **changes: object) -> Check:
        return a_check(performed_at=NOW - timedelta(hours=hours), **changes)

    other_way = Direction.COUNTER_CLOCKWISE
    oldest, older, asked, later = check(5), check(4), check(2), check(1)
    across = check(3, direction=other_way)
    with store.write(LOCAL_SHOP) as shop:
        # In an order of its own, and one that does not count.
        shop.checks.add_many([later, older, across, asked, oldest])
        voided = shop.checks.add(check(6))
        shop.checks.void(voided.id, "wrong wrench", NOW)
    with store.read(LOCAL_SHOP) as shop:
        for latest, found in ((9, [oldest, older]), (4, [older]), (2, [])):
            rows = shop.checks.readings_before(asked, latest)
            expected = list(past_readings(found, asked.direction))
            assert sorted(rows, key=lambda row: row.day) == expected


def test_what_a_check_names_must_be_there(store):
    for check, message in (
        (a_check("TW-9"), "no wrench 'TW-9'"),
        (a_check(tester="TB-9"), "no tester 'TB-9'"),
        (a_check(replaces="nothing"), "no check 'nothing'"),
    ):
        with store.write(LOCAL_SHOP) as shop, pytest.raises(UnknownRecord, match=message):
            shop.checks.add(check)
    with store.read(LOCAL_SHOP) as shop, pytest.raises(UnknownRecord, match="no check 'nothing'"):
        shop.checks.get("nothing")


@pytest.mark.parametrize(
    "changes",
    [
        {"id": "another"},
        {"operator": "somebody else", "temperature_c": 19.0, "cycle_count": 1300},
        {"points": points(20, 60)},
        {"performed_at": (NOW - timedelta(days=1)).astimezone(timezone(timedelta(hours=5)))},
    ],
    ids=["id", "circumstances", "points", "zone"],
)
def test_the_same_check_by_another_road_is_refused_with_the_id_there(store, changes):
    first = a_check()
    again = dataclasses.replace(first, **({"id": "again"} | changes))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(first)
    with store.write(LOCAL_SHOP) as shop, pytest.raises(DuplicateRecord) as caught:
        shop.checks.add(again)
    assert caught.value.existing_id == first.id


@pytest.mark.parametrize(
    "changes",
    [
        {"wrench": "TW-2"},
        {"tester": "TB-2"},
        {"performed_at": NOW - timedelta(days=1, microseconds=1)},
        {"kind": CheckKind.AS_LEFT},
        {"direction": Direction.COUNTER_CLOCKWISE},
        {"tester": None, "card": a_card()},
    ],
    ids=["wrench", "tester", "time", "kind", "direction", "card"],
)
def test_each_part_of_the_natural_key_makes_another_check(store, changes):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench("TW-2"))
        shop.testers.add(a_tester("TB-2"))
        shop.checks.add(a_check())
        shop.checks.add(a_check(**changes))
        assert len(shop.checks.list()) == 2


@pytest.mark.parametrize("changes", [{"issuer": "another"}, {"certificate": "W-78"}])
def test_two_cards_are_told_apart_by_issuer_and_number(store, changes):
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check(tester=None, card=a_card()))
        with pytest.raises(DuplicateRecord):
            shop.checks.add(a_check(tester=None, card=a_card()))
        shop.checks.add(a_check(tester=None, card=a_card(**changes)))


def test_a_voided_check_makes_room_for_the_right_one(store):
    wrong = a_check()
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(wrong)
        shop.checks.void(wrong.id, "readings mixed up", NOW)
        right = shop.checks.add(a_check(replaces=wrong.id))
    with store.read(LOCAL_SHOP) as shop:
        assert shop.checks.list() == (right,)
        assert shop.checks.get(right.id).replaces == wrong.id


def test_twice_in_one_batch_is_refused(store):
    first = a_check()
    with store.write(LOCAL_SHOP) as shop, pytest.raises(DuplicateRecord) as caught:
        shop.checks.add_many([first, a_check()])
    assert caught.value.existing_id == first.id


def test_the_database_itself_refuses_the_second_of_two_equal_checks(store):
    """Without the repository's own look: what stands between two servers on one database."""
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
        row = check_columns(1, 99, a_check())
        with pytest.raises(IntegrityError, match=r"(?i)unique"):
            shop.checks._scope.connection.execute(insert(CheckRow), [row])


@pytest.mark.parametrize("apart", [False, True], ids=["one store", "two stores on one file"])
def test_two_threads_racing_with_one_check_store_it_once(store, apart):
    other = Store.open(store.address) if apart else store
    barrier = threading.Barrier(2, timeout=30)
    outcomes: list[tuple[str, str]] = []

    def send(into: Store) -> None:
        check = a_check()
        barrier.wait()
        try:
            with into.write(LOCAL_SHOP) as shop:
                shop.checks.add(check)
        except DuplicateRecord as error:
            outcomes.append(("refused", error.existing_id))
        else:
            outcomes.append(("stored", check.id))

    threads = [threading.Thread(target=send, args=(into,)) for into in (store, other)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    if apart:
        other.close()
    with store.read(LOCAL_SHOP) as shop:
        (stored,) = shop.checks.list(include_voided=True)
    assert sorted(outcomes) == [("refused", stored.id), ("stored", stored.id)]


def test_pages_run_from_newest_to_oldest(store):
    """Checks of the same instant keep an order too, and one voided meanwhile leaves no gap."""
    checks = [
        a_check(performed_at=NOW - timedelta(days=day), direction=direction)
        for day in (3, 1, 2)
        for direction in Direction
    ]
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench("TW-2"))
        shop.checks.add_many(checks)
        shop.checks.add(a_check("TW-2"))
        found, after = [], None
        while page := shop.checks.list("TW-1", after=after, limit=2):
            found += page
            after = page[-1].id
            if len(found) == 2:
                shop.checks.void(after, "wrong wrench", NOW)
        assert [check.performed_at for check in found] == sorted(
            (check.performed_at for check in checks), reverse=True
        )
        assert {check.id for check in found} == {check.id for check in checks}
        assert len(shop.checks.list()) == 6  # of every wrench, without the voided one
        with pytest.raises(UnknownRecord):
            shop.checks.list(after="no such id")


def test_the_last_check_is_the_one_performed_last(store):
    with store.write(LOCAL_SHOP) as shop:
        newest = shop.checks.add(a_check(direction=Direction.COUNTER_CLOCKWISE))
        older = shop.checks.add(a_check(performed_at=NOW - timedelta(days=5)))
        assert shop.checks.last("TW-1") == newest
        assert shop.checks.last("TW-1", Direction.CLOCKWISE) == older
        shop.checks.void(newest.id, "wrong wrench", NOW)
        assert shop.checks.last("TW-1") == older
        assert shop.checks.last("TW-1", Direction.COUNTER_CLOCKWISE) is None


def test_all_checks_come_in_the_order_of_recording(store, monkeypatch):
    monkeypatch.setattr("service.store.checks._PAGE", 3)
    checks = [a_check(performed_at=NOW - timedelta(days=day)) for day in range(10)]
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many(checks)
        shop.checks.void(checks[4].id, "wrong wrench", NOW)
    with store.read(LOCAL_SHOP) as shop:
        assert list(shop.checks.every()) == checks[:4] + checks[5:]


def test_counts_on_record_bound_a_new_one(store):
    with store.write(LOCAL_SHOP) as shop:
        for day, count in ((30, 500), (20, None), (10, 900)):
            shop.checks.add(a_check(performed_at=NOW - timedelta(days=day), cycle_count=count))
        voided = shop.checks.add(a_check(performed_at=NOW - timedelta(days=5), cycle_count=9999))
        shop.checks.void(voided.id, "wrong wrench", NOW)
        counts = shop.checks.cycle_counts("TW-1")
    assert counts.bounds(NOW - timedelta(days=40)) == (0, 500)
    assert counts.bounds(NOW - timedelta(days=15)) == (500, 900)
    assert counts.bounds(NOW - timedelta(days=10)) == (900, 900)
    assert counts.bounds(NOW) == (900, None)


@settings(deadline=None, max_examples=50)
@given(
    at=st.datetimes(min_value=datetime(1970, 1, 2), timezones=st.just(UTC)),  # noqa: DTZ001
    values=st.lists(st.floats(1e-9, 1e9), min_size=1, max_size=5),
    operator=st.text(st.characters(codec="utf-8", exclude_characters="\x00")),
)
def test_any_instant_number_and_text_comes_back_exactly(round_trip_store, at, values, operator):
    check = a_check(
        performed_at=at,
        operator=operator,
        points=(
            Point(
                target=nm(values[0]),
                readings=tuple(Reading(reference=nm(v), indicated=nm(v)) for v in values),
            ),
        ),
    )
    with suppress(TakenBack), round_trip_store.write(LOCAL_SHOP) as shop:
        shop.checks.add(check)
        assert shop.checks.get(check.id) == check
        raise TakenBack  # so that the next example finds the store as it was


@pytest.fixture(scope="module")
def round_trip_store(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("store") / "shop.db", migrate=True) as store:
        with store.write(LOCAL_SHOP) as shop:
            shop.wrenches.add(a_wrench())
            shop.testers.add(a_tester())
        yield store
