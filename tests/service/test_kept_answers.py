"""What is kept about a wrench in one direction stands while its evidence in that direction does."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sample_records import NOW, a_check, a_pull, a_tester, a_wrench, points

from analysis.due import Due
from analysis.vocabulary import Direction
from service.api.questions import StoredEvidence
from service.clock import PinnedClock
from service.fleet_cache import FleetCache
from service.frames import day_of
from service.records import Check, MaximumPermissibleDeviation, Policy
from service.relearning import Relearning
from service.shop_evidence import ShopEvidence
from service.shop_laws import ShopLaws
from service.store import LOCAL_SHOP, ShopStore, Store

CW, CCW = Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE
SERIAL = "TW-1"
TODAY = day_of(NOW)
MPD_CCW = MaximumPermissibleDeviation(percent=6.0)


def a_visit(direction: Direction, days_ago: int, cycles: int | None) -> Check:
    return a_check(
        SERIAL,
        direction=direction,
        performed_at=NOW - timedelta(days=days_ago),
        cycle_count=cycles,
        points=points(20, 60, 100, repeats=3),
    )


class Kept:
    """A store, the evidence kept beside it, and the same read and worked out anew."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.fleets = FleetCache(self._laws())

    def _laws(self) -> ShopLaws:
        return ShopLaws(self.store, LOCAL_SHOP, PinnedClock(NOW), Relearning(float("inf")))

    def record(self, check: Check) -> None:
        with self.store.write(LOCAL_SHOP) as shop:
            shop.checks.add(check)

    def evidence(self) -> tuple[ShopEvidence, ShopEvidence, Policy]:
        """As kept, and as read whole."""
        with self.store.read(LOCAL_SHOP) as records:
            version, source = records.evidence_version(), StoredEvidence(records, NOW)
            laws = self.fleets.laws_in_force(records)
            kept = self.fleets.evidence(LOCAL_SHOP, version, None, source, laws)
            whole = ShopEvidence.of(version, source.load(None), laws, self._laws())
            both = (self._with_work(each, records) for each in (kept, whole))
            return *both, records.policy.get()

    def _with_work(self, evidence: ShopEvidence, records: ShopStore) -> ShopEvidence:
        return evidence.with_work(
            records.pulls_version(),
            TODAY,
            records,
            lambda among: records.work_since(NOW, TODAY, among),
        )

    def dues(self) -> dict[Direction, Due]:
        """As kept; what is worked out anew is the same, and so is what other targets mean."""
        kept, whole, policy = self.evidence()
        due = {way: kept.due(policy, TODAY, SERIAL, way) for way in (CW, CCW)}
        assert due == {way: whole.due(policy, TODAY, SERIAL, way) for way in (CW, CCW)}
        for way in (CW, CCW):
            assert kept.what_if(policy, SERIAL, way) == whole.what_if(policy, SERIAL, way)
        return due


@pytest.fixture
def kept(empty_store: Store) -> Kept:
    with empty_store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        shop.wrenches.add(a_wrench(SERIAL, mpd_counter_clockwise=MPD_CCW))
    kept = Kept(empty_store)
    for days_ago, cycles in ((200, 1000), (100, 2000)):
        for way in (CW, CCW):
            kept.record(a_visit(way, days_ago, cycles))
    kept.dues()
    kept.dues()  # by now the laws are stored, and the evidence stands under them
    return kept


def test_a_check_in_one_direction_leaves_the_answer_about_the_other(kept: Kept) -> None:
    before = kept.dues()
    kept.record(a_visit(CW, 3, None))
    after = kept.dues()
    assert after[CCW] is before[CCW]
    assert after[CW].last_check_day > before[CW].last_check_day


def test_a_count_in_one_direction_tells_the_pace_in_both(kept: Kept) -> None:
    """A check recorded late, of long before: two thousand cycles in a year, not half as many in a
    third of it, and the cap in cycles is further off.
    """
    before = kept.dues()
    kept.record(a_visit(CW, 400, 100))
    after = kept.dues()
    assert after[CCW].use.work == before[CCW].use.work
    late, soon = after[CCW].cycles_day, before[CCW].cycles_day
    assert soon is not None
    assert late is not None
    assert soon < late


def test_work_in_one_direction_counts_in_both(kept: Kept) -> None:
    before = kept.dues()
    with kept.store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many(
            [a_pull(wrench=SERIAL, performed_at=NOW - timedelta(days=9), count=900)]
        )
    after = kept.dues()
    assert all(after[way].use != before[way].use for way in (CW, CCW))


def test_recorded_work_has_no_chance_worked_out_anew(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It moves the cap in cycles; chances rest on checks."""
    kept.dues()
    with kept.store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([a_pull(wrench=SERIAL, performed_at=NOW - timedelta(days=9))])
    evidence, _, policy = kept.evidence()

    def refuse(*_: object) -> None:
        raise AssertionError("worked out anew")

    monkeypatch.setattr("analysis.shop.outlooks", refuse)
    monkeypatch.setattr("analysis.pass_curve.PassCurve.of", refuse)
    for way in (CW, CCW):
        evidence.due(policy, TODAY, SERIAL, way)
        evidence.what_if(policy, SERIAL, way)


def test_another_tolerance_is_another_answer(kept: Kept) -> None:
    before = kept.dues()
    with kept.store.write(LOCAL_SHOP) as shop:
        was = shop.wrenches.get(SERIAL)
        narrow = MaximumPermissibleDeviation(percent=3.0)
        shop.wrenches.update(replace(was, mpd_counter_clockwise=narrow), was.version)
    after = kept.dues()
    assert after[CCW] != before[CCW]
