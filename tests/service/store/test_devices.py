"""Wrenches, testers, policy and kept answers: what goes in comes out, versions and shops apart."""

import dataclasses
from datetime import timedelta

import pytest
from sample_records import NOW, a_check, a_tester, a_wrench, nm

from analysis.vocabulary import DecisionRule, Mechanism
from service.records import (
    MaximumPermissibleDeviation,
    Policy,
    ServiceDecision,
    ServiceStatus,
    ToleranceBasis,
)
from service.store import LOCAL_SHOP, DuplicateRecord, StaleVersion, UnknownRecord
from service.store.check_rows import NaturalKey
from service.torque import Torque

FULL_WRENCH = a_wrench(
    "FULL",
    mechanism=Mechanism.ELECTRONIC,
    lowest=Torque.of(7.1, "ft.lbf"),
    full_scale=Torque.of(147.3, "ft.lbf"),
    mpd_counter_clockwise=MaximumPermissibleDeviation(percent=6, basis=ToleranceBasis.FULL_SCALE),
    resolution=Torque.of(0.1, "in.lbf"),
    decision=ServiceDecision(status=ServiceStatus.OUT_OF_SERVICE, reason="dropped", since=NOW),
    registered_at=NOW + timedelta(microseconds=1),
)
BARE_WRENCH = a_wrench("BARE", model=None, mpd_clockwise=None, resolution=None, drive=None)


@pytest.mark.parametrize("wrench", [FULL_WRENCH, BARE_WRENCH], ids=["full", "bare"])
def test_a_wrench_comes_back_as_it_went_in(store, wrench):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(wrench)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.wrenches.get(wrench.serial) == wrench


def test_a_tester_comes_back_as_it_went_in(store):
    tester = a_tester("FULL", model=None, lowest=Torque.of(3.3, "kgf.m"))
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(tester)
    with store.read(LOCAL_SHOP) as shop:
        assert shop.testers.get("FULL") == tester


@pytest.mark.parametrize(
    ("repository", "record"), [("wrenches", a_wrench()), ("testers", a_tester())]
)
def test_a_serial_is_registered_once(store, repository, record):
    with store.write(LOCAL_SHOP) as shop, pytest.raises(DuplicateRecord) as caught:
        getattr(shop, repository).add(record)
    assert caught.value.existing_id == record.serial


@pytest.mark.parametrize(
    ("repository", "record"),
    [
        ("wrenches", a_wrench(full_scale=nm(120))),
        ("testers", a_tester(certificate="C-27-001")),
    ],
)
def test_a_change_wants_the_version_it_was_made_from(store, repository, record):
    with store.write(LOCAL_SHOP) as shop:
        changed = getattr(shop, repository).update(record, 1)
    assert changed == dataclasses.replace(record, version=2)
    with store.read(LOCAL_SHOP) as shop:
        assert getattr(shop, repository).get(record.serial) == changed
    with store.write(LOCAL_SHOP) as shop, pytest.raises(StaleVersion) as caught:
        getattr(shop, repository).update(record, 1)
    assert caught.value.current == 2
    unknown = dataclasses.replace(record, serial="NOBODY")
    with store.write(LOCAL_SHOP) as shop, pytest.raises(UnknownRecord):
        getattr(shop, repository).update(unknown, 1)


def test_a_change_keeps_the_registration(store):
    with store.write(LOCAL_SHOP) as shop:
        changed = shop.wrenches.update(a_wrench(registered_at=NOW), 1)
    assert changed.registered_at == a_wrench().registered_at


@pytest.mark.parametrize(
    ("repository", "make", "there"), [("wrenches", a_wrench, "TW-1"), ("testers", a_tester, "TB-1")]
)
def test_pages_follow_one_another_without_gap_or_repeat(store, repository, make, there):
    """A record added before the cursor does not shift what follows it."""
    serials = [f"X-{n:02}" for n in range(7)]
    with store.write(LOCAL_SHOP) as shop:
        for serial in reversed(serials):
            getattr(shop, repository).add(make(serial))
    found = []
    after = None
    with store.write(LOCAL_SHOP) as shop:
        while page := getattr(shop, repository).list(after=after, limit=3):
            found += [record.serial for record in page]
            after = found[-1]
            if len(found) == 3:
                getattr(shop, repository).add(make("A-00"))
    assert found == sorted([there, *serials])


def test_wrenches_are_listed_by_status(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(FULL_WRENCH)
        out = shop.wrenches.list(status=ServiceStatus.OUT_OF_SERVICE)
        assert [wrench.serial for wrench in out] == ["FULL"]


def test_policy_is_the_default_until_one_is_set_and_every_version_is_kept(store):
    with store.write(LOCAL_SHOP) as shop:
        assert shop.policy.get() == Policy()
        first = shop.policy.put(
            Policy(
                reliability_target=0.9,
                decision_rule=DecisionRule.GUARDED_BY_U,
                plan_targets=(0.1, 1.0),
                closed_weekdays=(),
                time_zone="Europe/Berlin",
            ),
            1,
            at=NOW,
        )
        assert first.version == 2
    with store.write(LOCAL_SHOP) as shop:
        assert shop.policy.get() == first
        with pytest.raises(StaleVersion):
            shop.policy.put(Policy(), 1, at=NOW)
        assert shop.policy.put(Policy(cap_months=6), 2, at=NOW).version == 3
    with store.read(LOCAL_SHOP) as shop:
        count = "SELECT count(*) FROM policies"
        assert shop.policy._scope.connection.exec_driver_sql(count).scalar_one() == 2
        assert shop.policy.get().cap_months == 6


def test_an_answer_is_kept_once_and_replayed_byte_for_byte(store):
    body = '{"größe": 1}\n'.encode()
    with store.write(LOCAL_SHOP) as shop:
        assert shop.idempotency.find("key") is None
        shop.idempotency.keep("key", "digest", 201, body, {"ETag": '"1"'}, NOW)
    with store.write(LOCAL_SHOP) as shop:
        answer = shop.idempotency.find("key")
        assert answer is not None
        assert (answer.request_digest, answer.status, answer.body) == ("digest", 201, body)
        assert answer.headers == {"ETag": '"1"'}
        assert answer.kept_at == NOW
        with pytest.raises(DuplicateRecord):
            shop.idempotency.keep("key", "other", 200, b"", {}, NOW)
        assert shop.idempotency.forget_before(NOW) == 0
        assert shop.idempotency.forget_before(NOW + timedelta(seconds=1)) == 1
        assert shop.idempotency.find("key") is None


def test_shops_do_not_see_each_other(store):
    check = a_check()
    store.add_shop("second")
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(check)
        shop.policy.put(Policy(cap_months=6), 1, at=NOW)
        shop.idempotency.keep("key", "digest", 201, b"", {}, NOW)
    with store.write("second") as shop:
        assert shop.wrenches.list() == ()
        assert shop.testers.list() == ()
        assert shop.checks.list(include_voided=True) == ()
        assert tuple(shop.checks.every()) == ()
        assert shop.checks.last("TW-1") is None
        assert shop.checks.same_as([NaturalKey.of(check)]) == {}
        assert shop.checks.cycle_counts("TW-1").bounds(NOW) == (0, None)
        assert shop.policy.get() == Policy()
        assert shop.idempotency.find("key") is None
        wrenches, readings = shop.evidence(NOW)
        assert (wrenches.height, readings.height) == (0, 0)
        for ask in (
            lambda: shop.wrenches.get("TW-1"),
            lambda: shop.testers.get("TB-1"),
            lambda: shop.checks.get(check.id),
            lambda: shop.checks.void(check.id, "not mine", NOW),
            lambda: shop.checks.add(a_check()),
            lambda: shop.checks.list(after=check.id),
        ):
            with pytest.raises(UnknownRecord):
                ask()
        shop.wrenches.add(a_wrench())
        shop.testers.add(a_tester())
        shop.checks.add(a_check(points=check.points))  # the same serial and time is another check


def test_a_shop_that_is_not_there_is_named(store):
    for opening in (store.read, store.write):
        with pytest.raises(UnknownRecord, match="no shop 'elsewhere'"), opening("elsewhere"):
            pass
