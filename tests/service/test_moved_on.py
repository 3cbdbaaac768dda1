"""Whatever was recorded: evidence moved on by what changed is the evidence read whole."""

import random
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sample_records import NOW, a_check, a_pull, a_tester, a_wrench, points
from sqlalchemy import text

from analysis.vocabulary import CheckKind, Direction
from service.api.access import Shop
from service.api.paging import every_wrench, registry_of
from service.api.questions import StoredEvidence
from service.clock import PinnedClock
from service.fleet_cache import FleetCache
from service.records import MaximumPermissibleDeviation
from service.registry import Registry
from service.relearning import Relearning
from service.shop_evidence import ShopEvidence
from service.shop_laws import ShopLaws
from service.store import LOCAL_SHOP, ShopStore, Store, changes
from service.store.ledger import EntryKind

SERIALS = [f"TW-{number}" for number in range(1, 8)]
STEPS = 40


class Difference(AssertionError):  # noqa: N818 - what a test looks for
    """What was moved on is not what is read whole."""


class Recorder:
    """Records at random, and the evidence kept beside it."""

    def __init__(self, store: Store, seed: int) -> None:
        self.store = store
        self.random = random.Random(seed)  # noqa: S311 - no secret
        laws = ShopLaws(store, LOCAL_SHOP, PinnedClock(NOW), Relearning(float("inf")))
        self.fleets = FleetCache(laws)
        self.shop = Shop(store, LOCAL_SHOP, PinnedClock(NOW), self.fleets)
        self.checks: list[str] = []
        self.pulls: list[str] = []

    def any_day(self) -> Any:
        return NOW - timedelta(minutes=self.random.randrange(60 * 24 * 700))

    def check(self, shop: ShopStore) -> None:
        new = a_check(
            self.random.choice(SERIALS),
            direction=self.random.choice(list(Direction)),
            performed_at=self.any_day(),
            cycle_count=self.random.choice([None, self.random.randrange(5000)]),
            kind=self.random.choice([CheckKind.AS_FOUND, CheckKind.AS_LEFT]),
            points=points(*self.random.sample([20, 40, 60, 80, 100], 3), repeats=2),
        )
        shop.checks.add(new)
        self.checks.append(new.id)

    def void_check(self, shop: ShopStore) -> None:
        if self.checks:
            gone = self.checks.pop(self.random.randrange(len(self.checks)))
            shop.checks.void(gone, "wrong wrench", NOW)

    def pull(self, shop: ShopStore) -> None:
        new = a_pull(wrench=self.random.choice(SERIALS), performed_at=self.any_day(), count=100)
        shop.pulls.add_many([new])
        self.pulls.append(new.id)

    def void_pull(self, shop: ShopStore) -> None:
        if self.pulls:
            shop.pulls.void(self.pulls.pop(), "not that wrench", NOW)

    def wrench(self, shop: ShopStore) -> None:
        was = shop.wrenches.get(self.random.choice(SERIALS))
        percent = self.random.choice([3.0, 4.0, 6.0])
        changed = replace(was, mpd_clockwise=MaximumPermissibleDeviation(percent=percent))
        shop.wrenches.update(changed, was.version)

    def tester(self, shop: ShopStore) -> None:
        was = shop.testers.get("TB-1")
        changed = replace(was, expanded_uncertainty_pct=self.random.uniform(0.3, 1.0))
        shop.testers.update(changed, was.version)

    def restored(self, shop: ShopStore) -> None:
        """As if another file had been put in its place: all numbers may be taken anew."""
        shop._scope.connection.execute(
            text("UPDATE shops SET token = :token"), {"token": f"{self.random.random()}"}
        )

    def step(self) -> None:
        doings = [self.check] * 6 + [self.void_check, self.pull, self.pull, self.void_pull]
        doings += [self.wrench, self.tester] + [self.restored] * (self.random.random() < 0.1)
        with self.store.write(LOCAL_SHOP) as shop:
            self.random.choice(doings)(shop)

    def walk(self, steps: int) -> None:
        for _ in range(steps):
            self.step()
            self.compare()

    def compare(self) -> None:
        with self.store.read(LOCAL_SHOP) as records:
            source = StoredEvidence(records, NOW)
            version = records.evidence_version()
            laws = self.fleets.laws_in_force(records)
            kept = self.fleets.evidence(LOCAL_SHOP, version, None, source, laws).with_work(
                records.pulls_version(),
                0.0,
                records,
                lambda among: records.work_since(NOW, 0.0, among),
            )
            whole = ShopEvidence.of(version, source.load(None))
            work = records.work_since(NOW, 0.0)
            registry = registry_of(self.shop, records)
            wrenches = Registry(version, tuple(every_wrench(records)))
        same = {
            "wrenches": kept.wrenches.equals(whole.wrenches),
            "deviations": kept.deviations.equals(whole.deviations),
            "proofs": kept.proofs == whole.proofs,
            "standings": kept._standings.get() == whole._standings.get(),
            "pace": kept._pace.get() == whole._pace.get(),
            "ranges": kept._ranges.get() == whole._ranges.get(),
            "work": kept._work == work,
            "registry": registry.wrenches == wrenches.wrenches,
            "one": all(kept.of_wrench(s).equals(whole.of_wrench(s)) for s in SERIALS),
        }
        if not all(same.values()):
            raise Difference([name for name, alike in same.items() if not alike])


@pytest.fixture
def recorder(empty_store: Store, monkeypatch: pytest.MonkeyPatch) -> Recorder:
    # So that a few wrenches fill several parts.
    monkeypatch.setattr("service.shop_frames.ROWS_OF_A_PART", 24)
    with empty_store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        for serial in SERIALS:
            shop.wrenches.add(a_wrench(serial))
    return Recorder(empty_store, seed=8)


def test_what_is_moved_on_is_what_is_read_whole(recorder: Recorder) -> None:
    recorder.walk(STEPS)


@pytest.mark.parametrize("forgotten", list(changes._WRENCHES))
def test_a_kind_of_record_that_is_forgotten_is_found(
    recorder: Recorder, monkeypatch: pytest.MonkeyPatch, forgotten: EntryKind
) -> None:
    looked_up = {kind: how for kind, how in changes._WRENCHES.items() if kind is not forgotten}
    monkeypatch.setattr(changes, "_WRENCHES", looked_up)
    with pytest.raises(Difference):
        recorder.walk(4 * STEPS)


def test_only_what_changed_is_read(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    recorder.step()
    recorder.compare()
    asked: list[frozenset[str] | None] = []
    load = StoredEvidence.load

    def told(self: StoredEvidence, among: frozenset[str] | None) -> Any:
        asked.append(among)
        return load(self, among)

    with recorder.store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check("TW-3"))
    monkeypatch.setattr(StoredEvidence, "load", told)
    recorder.compare()
    assert asked == [frozenset({"TW-3"}), None]  # the second is that of the comparison
