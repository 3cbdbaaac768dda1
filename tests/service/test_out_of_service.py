"""When a wrench was out of service: the spells that ended as well as the one that lasts."""

import dataclasses
from datetime import timedelta

import pytest
from sample_records import NOW, a_check, a_pull, a_tester, a_wrench, points

from analysis.vocabulary import CheckKind
from service.exports import pulls_csv
from service.imports import PullFormat, import_pulls
from service.out_of_service import Spell, spells_of_wrench, was_out_of_service
from service.recording import change_wrench, record_checks, register_wrench, void_check
from service.records import ServiceDecision, ServiceStatus
from service.store import LOCAL_SHOP

DAY = timedelta(days=1)
OUT, IN = ServiceStatus.OUT_OF_SERVICE, ServiceStatus.IN_SERVICE


@pytest.fixture
def shop(empty_store):
    with empty_store.write(LOCAL_SHOP) as records:
        records.testers.add(a_tester())
        register_wrench(records, a_wrench(), person=None)
        yield records


def decide(shop, status, days_ago):
    at = NOW - days_ago * DAY
    wrench = shop.wrenches.get("TW-1")
    decision = ServiceDecision(status=status, reason="fell", since=at)
    change_wrench(
        shop,
        dataclasses.replace(wrench, decision=decision),
        wrench.version,
        releases=status is IN,
        person=None,
        now=at,
    )


def record(shop, days_ago, *, passes, kind=CheckKind.AS_FOUND, written_days_ago=None):
    """A check at 100 N·m; one that does not pass delivers 6 % too little."""
    check = a_check(
        kind=kind,
        performed_at=NOW - days_ago * DAY,
        cycle_count=None,
        points=points(100, low_by=0.1 if passes else 6.0),
    )
    at = NOW - (days_ago if written_days_ago is None else written_days_ago) * DAY
    record_checks(shop, [check], person=None, now=at)
    return check.id


def days_out(shop, up_to=12):
    """On which of the last days, counted back from now and at noon, the wrench was out."""
    spells = spells_of_wrench(shop, shop.wrenches.get("TW-1"))
    noons = {days: NOW - (days - 0.5) * DAY for days in range(1, up_to + 1)}
    return {days for days, at in noons.items() if was_out_of_service(spells, at)}


def test_a_wrench_that_was_never_out_has_no_spell(shop):
    record(shop, 5, passes=True)
    assert spells_of_wrench(shop, shop.wrenches.get("TW-1")) == ()


def test_spells_that_a_person_ended_are_remembered(shop):
    decide(shop, OUT, 10)
    decide(shop, IN, 8)
    assert days_out(shop) == {10, 9}
    decide(shop, OUT, 3)
    assert days_out(shop) == {10, 9, 3, 2, 1}


def test_a_quarantine_runs_from_the_failing_check_to_the_moment_it_is_lifted(shop):
    """The check was written down two days after it was performed: the wrench was out by then."""
    record(shop, 9, passes=False, written_days_ago=7)
    assert days_out(shop) == {9, 8, 7, 6, 5, 4, 3, 2, 1}
    record(shop, 4, passes=True, kind=CheckKind.AS_LEFT)
    assert days_out(shop) == {9, 8, 7, 6, 5}


def test_a_quarantine_ends_when_the_check_is_voided(shop):
    failed = record(shop, 9, passes=False)
    void_check(shop, failed, "wrong wrench", person=None, now=NOW - 6 * DAY)
    assert days_out(shop) == {9, 8, 7}


def test_a_person_and_a_check_keep_it_out_each_for_a_time(shop):
    decide(shop, OUT, 11)
    record(shop, 9, passes=False)
    record(shop, 6, passes=True, kind=CheckKind.AS_LEFT)
    assert days_out(shop) == set(range(1, 12))
    decide(shop, IN, 3)
    assert days_out(shop) == set(range(4, 12))


def test_work_done_in_a_spell_that_has_ended_is_flagged(shop):
    decide(shop, OUT, 10)
    decide(shop, IN, 8)
    pulls = [a_pull(job=f"W-{days}", performed_at=NOW - days * DAY) for days in (11, 9, 7)]
    import_pulls(shop, "".join(pulls_csv(pulls)).encode(), PullFormat.CSV, now=NOW)
    assert {pull.job: pull.out_of_service for pull in shop.pulls.every()} == {
        "W-11": False,
        "W-9": True,
        "W-7": False,
    }


def test_a_spell_without_a_begin_reaches_back_as_far_as_the_record_goes(shop):
    """A wrench that came out of service from a file or an older store, no day told."""
    decision = ServiceDecision(status=OUT)
    wrench = dataclasses.replace(shop.wrenches.get("TW-1"), decision=decision)
    spells = spells_of_wrench(shop, wrench)
    assert spells == (Spell(None),)
    assert was_out_of_service(spells, NOW - 5000 * DAY)


def test_a_spell_begins_with_its_first_moment_and_ends_before_its_last(shop):
    spell = Spell(NOW - DAY, NOW)
    assert spell.covers(NOW - DAY)
    assert not spell.covers(NOW)
