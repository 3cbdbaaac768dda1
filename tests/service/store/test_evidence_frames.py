"""The evidence handed to the analysis: schemas, values, cut by time, and its version."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from sample_records import NOW, TakenBack, a_card, a_check, a_pull, a_tester, a_wrench, nm, points

from analysis.evidence import READINGS, WRENCHES
from analysis.vocabulary import CheckKind, Direction
from service.records import MaximumPermissibleDeviation, Point, Policy, Reading, ToleranceBasis
from service.store import LOCAL_SHOP, Store
from service.torque import Torque


def test_an_empty_shop_has_empty_frames_of_the_right_schemas(empty_store):
    with empty_store.read(LOCAL_SHOP) as shop:
        wrenches, readings = shop.evidence(NOW)
    assert wrenches.schema == WRENCHES
    assert readings.schema == READINGS
    assert (wrenches.height, readings.height) == (0, 0)


def test_wrenches_by_serial_with_their_tolerances(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(
            a_wrench(
                "A-1",
                lowest=Torque.of(10, "ft.lbf"),
                mpd_clockwise=MaximumPermissibleDeviation(
                    percent=2, basis=ToleranceBasis.FULL_SCALE
                ),
                mpd_counter_clockwise=MaximumPermissibleDeviation(percent=6),
                resolution=None,
            )
        )
        wrenches, _ = shop.evidence(NOW)
    assert wrenches.schema == WRENCHES
    assert wrenches.rows() == [
        # 10 ft.lbf = 13.558179483314004 N.m: NIST SP 811, appendix B.8
        ("A-1", "spring", pytest.approx(13.558179483314004, rel=1e-15), 100.0, 2.0, 6.0,
         True, False, None),
        ("TW-1", "spring", 20.0, 100.0, 4.0, None, False, False, 0.5),
    ]  # fmt: skip


def test_one_row_a_reading_in_order(store):
    """1970-01-11 06:00 UTC is day 10.25."""
    at = datetime(1970, 1, 11, 6, tzinfo=UTC)
    check = a_check(
        performed_at=at,
        points=(
            Point(
                target=nm(60),
                readings=(
                    Reading(reference=nm(59.5), indicated=nm(60.5)),
                    Reading(reference=nm(59.25), indicated=nm(60)),
                ),
            ),
            *points(20, repeats=1, low_by=0.25),
        ),
    )
    card = a_check(
        kind=CheckKind.VERIFICATION,
        direction=Direction.COUNTER_CLOCKWISE,
        performed_at=at - timedelta(days=1),
        tester=None,
        card=a_card(),
        cycle_count=None,
        points=points(100, repeats=1, low_by=0),
    )
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many([check, card])
        _, readings = shop.evidence(NOW)
    assert readings.schema == READINGS
    assert readings.rows() == [
        ("TW-1", "counter_clockwise", card.id, "verification", 9.25, None, True,
         100.0, 100.0, 100.0),
        ("TW-1", "clockwise", check.id, "as_found", 10.25, 1200.0, False, 60.0, 60.5, 59.5),
        ("TW-1", "clockwise", check.id, "as_found", 10.25, 1200.0, False, 60.0, 60.0, 59.25),
        ("TW-1", "clockwise", check.id, "as_found", 10.25, 1200.0, False, 20.0, 20.0, 19.75),
    ]  # fmt: skip


def test_the_order_of_recording_does_not_show(store):
    """Two shops with the same checks recorded in another order have the same frames."""
    checks = [
        a_check(wrench, performed_at=NOW - timedelta(days=day), tester="TB-1")
        for wrench in ("TW-1", "TW-0")
        for day in (4, 2, 3)
    ]
    store.add_shop("second")
    frames = []
    for key, order in ((LOCAL_SHOP, checks), ("second", checks[::-1])):
        with store.write(key) as shop:
            for serial in ("TW-0", "TW-1"):
                if shop.wrenches.find(serial) is None:
                    shop.wrenches.add(a_wrench(serial))
            if shop.testers.find("TB-1") is None:
                shop.testers.add(a_tester())
            shop.checks.add_many(order)
            frames.append(shop.evidence(NOW)[1])
    assert frames[0].equals(frames[1])
    assert frames[0]["wrench"].to_list() == ["TW-0"] * 45 + ["TW-1"] * 45


def test_readings_are_cut_by_the_instant_and_voided_ones_left_out(store):
    at = NOW - timedelta(days=1)
    counted, voided = a_check(performed_at=at), a_check(performed_at=at - timedelta(days=1))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many([counted, voided])
        shop.checks.void(voided.id, "wrong wrench", NOW)
        assert set(shop.evidence(at)[1]["check"]) == {counted.id}
        assert shop.evidence(at - timedelta(microseconds=1))[1].is_empty()


def test_the_version_changes_with_the_evidence_and_only_then(store):
    check = a_check()
    evidence_changes = [
        lambda shop: shop.wrenches.add(a_wrench("TW-2")),
        lambda shop: shop.wrenches.update(a_wrench(full_scale=nm(110)), 1),
        lambda shop: shop.checks.add(check),
        lambda shop: shop.checks.void(check.id, "wrong wrench", NOW),
        lambda shop: shop.checks.add_many([a_check()]),
    ]
    other_changes = [
        lambda shop: shop.testers.add(a_tester("TB-2")),
        lambda shop: shop.policy.put(Policy(), 1, at=NOW),
        lambda shop: shop.idempotency.keep("key", "digest", 201, b"", {}, NOW),
        lambda shop: shop.checks.add_many([]),
    ]

    def version_after(change):
        with store.write(LOCAL_SHOP) as shop:
            change(shop)
        with store.read(LOCAL_SHOP) as shop:
            return shop.evidence_version()

    seen = [version_after(lambda shop: None)]
    for change in evidence_changes:
        seen.append(version_after(change))
    assert len(set(seen)) == len(seen)
    assert {version_after(change) for change in other_changes} == {seen[-1]}


def test_a_change_taken_back_takes_its_version_back(store):
    with store.read(LOCAL_SHOP) as shop:
        before = shop.evidence_version()
    with suppress(TakenBack), store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check())
        assert shop.evidence_version() != before
        raise TakenBack
    with store.read(LOCAL_SHOP) as shop:
        assert shop.evidence_version() == before


def test_two_stores_never_share_a_version(tmp_path, store):

    with (
        Store.open(tmp_path / "other.db", migrate=True) as other,
        other.read(LOCAL_SHOP) as there,
        store.read(LOCAL_SHOP) as here,
    ):
        assert there.evidence_version() != here.evidence_version()


def test_frames_take_no_naive_instant(store):
    with store.read(LOCAL_SHOP) as shop, pytest.raises(Exception, match="naive"):
        shop.evidence(NOW.replace(tzinfo=None))


def test_batches_put_together_are_the_evidence(store, monkeypatch):
    """Also of wrenches that were never checked, and with cycles counted from recorded work."""
    monkeypatch.setattr("service.store.store._WRENCHES_AND_CHECKS_AT_ONCE", 3)
    with store.write(LOCAL_SHOP) as shop:
        for serial in ("B-1", "b-2", "Ä-3", "Z-4"):
            shop.wrenches.add(a_wrench(serial))
        for serial in ("Ä-3", "B-1", "TW-1"):
            for days, cycles in ((30, 100), (10, None)):
                at = NOW - timedelta(days=days)
                shop.checks.add(a_check(serial, performed_at=at, cycle_count=cycles))
        shop.pulls.add_many([a_pull(wrench="B-1", performed_at=NOW - timedelta(days=29))])
        wrenches, readings = shop.evidence(NOW)
        batches = list(shop.reading_batches(NOW))
        detailed = [of for _, of in shop.reading_batches(NOW, details=True)]
    assert len(batches) > 2
    assert pl.concat([of for of, _ in batches]).equals(wrenches)
    assert pl.concat([of for _, of in batches]).equals(readings)
    assert pl.concat(detailed).select(READINGS.names()).equals(readings)
    assert 101.0 in readings["cycles"].to_list()
