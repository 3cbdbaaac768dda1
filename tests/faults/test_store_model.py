"""The store against a model in plain Python, through any order of what may be done to it."""

import dataclasses
import itertools
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    invariant,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import text

from analysis.vocabulary import CheckKind, Direction, Mechanism
from service.records import (
    Check,
    Indication,
    MaximumPermissibleDeviation,
    Point,
    Reading,
    Void,
    Wrench,
)
from service.records import Tester as StoredTester
from service.store import (
    LOCAL_SHOP,
    AlreadyVoided,
    DuplicateRecord,
    ShopStore,
    StaleVersion,
    Store,
    UnknownRecord,
)
from service.store.checks import Checks
from service.torque import Torque

NOW = datetime.fromisoformat("2026-05-04T12:00:00+00:00")
SHOPS = (LOCAL_SHOP, "next door")
SERIALS = ("A", "Ä b")


class Undone(Exception):  # noqa: N818 - raised to have a transaction undone
    pass


def nm(value: float) -> Torque:
    return Torque.of(value, "N.m")


def a_wrench(serial: str) -> Wrench:
    return Wrench(
        serial=serial,
        mechanism=Mechanism.SPRING,
        indication=Indication.SETTING,
        model=None,
        lowest=nm(20),
        full_scale=nm(100),
        mpd_clockwise=MaximumPermissibleDeviation(percent=4),
        mpd_counter_clockwise=None,
        resolution=None,
        drive=None,
        registered_at=NOW,
    )


def a_tester(serial: str) -> StoredTester:
    return StoredTester(
        serial=serial,
        model=None,
        lowest=nm(10),
        full_scale=nm(500),
        expanded_uncertainty_pct=0.5,
        coverage_factor=2.0,
        certificate="C-1",
        calibrated_on=NOW.date(),
        due_on=NOW.date(),
        registered_at=NOW,
    )


@dataclasses.dataclass
class Model:
    """One shop as dictionaries."""

    wrenches: dict[str, Wrench] = dataclasses.field(default_factory=dict)
    testers: dict[str, StoredTester] = dataclasses.field(default_factory=dict)
    checks: dict[str, Check] = dataclasses.field(default_factory=dict)
    answers: dict[str, bytes] = dataclasses.field(default_factory=dict)

    def same(self, check: Check) -> str | None:
        """The id of the check that counts and is the same one."""
        for other in self.checks.values():
            if other.void is None and _natural(other) == _natural(check):
                return other.id
        return None


def _natural(check: Check) -> tuple[object, ...]:
    return check.wrench, check.performed_at, check.kind, check.direction, check.tester


class StoreAgainstModel(RuleBasedStateMachine):
    checks: Bundle[tuple[str, str]] = Bundle("checks")

    shops = st.sampled_from(SHOPS)
    serials = st.sampled_from(SERIALS)

    store: ClassVar[Store]  # one for all runs: each has shops of its own
    _runs: ClassVar = itertools.count()

    def __init__(self) -> None:
        super().__init__()
        self._ids = itertools.count(1)
        run = next(self._runs)
        self._keys = {shop: f"{shop} {run}" for shop in SHOPS}
        for key in self._keys.values():
            self.store.add_shop(key)
        self.models = {shop: Model() for shop in SHOPS}
        for shop in SHOPS:  # so that checks can be of something from the beginning
            self.add_wrench(shop, SERIALS[0])
            self.add_tester(shop, SERIALS[0])

    def _read(self, shop: str) -> AbstractContextManager[ShopStore]:
        return self.store.read(self._keys[shop])

    def _write(self, shop: str) -> AbstractContextManager[ShopStore]:
        return self.store.write(self._keys[shop])

    @rule(shop=shops, serial=serials)
    def add_wrench(self, shop: str, serial: str) -> None:
        model = self.models[shop]
        wrench = a_wrench(serial)
        if serial in model.wrenches:
            with pytest.raises(DuplicateRecord), self._write(shop) as records:
                records.wrenches.add(wrench)
            return
        with self._write(shop) as records:
            model.wrenches[serial] = records.wrenches.add(wrench)

    @rule(shop=shops, serial=serials)
    def add_tester(self, shop: str, serial: str) -> None:
        model = self.models[shop]
        with suppress(DuplicateRecord), self._write(shop) as records:
            added = records.testers.add(a_tester(serial))
            assert serial not in model.testers
            model.testers[serial] = added

    @rule(shop=shops, serial=serials, version=st.integers(1, 4), drive=st.text(max_size=3))
    def change_wrench(self, shop: str, serial: str, version: int, drive: str) -> None:
        model = self.models[shop]
        there = model.wrenches.get(serial)
        changed = dataclasses.replace(there or a_wrench(serial), drive=drive)
        try:
            with self._write(shop) as records:
                stored = records.wrenches.update(changed, version)
        except UnknownRecord:
            assert there is None
        except StaleVersion as stale:
            assert there is not None
            assert stale.current == there.version != version  # noqa: PT017 - it may come or not
        else:
            assert there is not None
            assert there.version == version
            model.wrenches[serial] = stored

    @rule(
        target=checks,
        shop=shops,
        wrench=serials,
        tester=serials,
        minute=st.integers(0, 1),
        direction=st.sampled_from(Direction),
        values=st.lists(st.floats(19, 21), min_size=1, max_size=3),
        undo=st.booleans(),
    )
    def add_check(
        self,
        shop: str,
        wrench: str,
        tester: str,
        minute: int,
        direction: Direction,
        values: list[float],
        undo: bool,
    ) -> tuple[str, str]:
        model = self.models[shop]
        check = Check(
            id=f"00000000-0000-4000-8000-{next(self._ids):012}",
            wrench=wrench,
            kind=CheckKind.AS_FOUND,
            direction=direction,
            performed_at=NOW - timedelta(minutes=minute),
            tester=tester,
            operator=None,
            temperature_c=None,
            cycle_count=None,
            points=(
                Point(
                    target=nm(20),
                    readings=tuple(Reading(reference=nm(v), indicated=nm(20)) for v in values),
                ),
            ),
            recorded_at=NOW,
        )
        same = model.same(check)
        known = wrench in model.wrenches and tester in model.testers
        try:
            with self._write(shop) as records:
                records.checks.add(check)
                if undo:
                    raise Undone
        except DuplicateRecord as duplicate:
            assert duplicate.existing_id == same  # noqa: PT017 - it may come or not
        except UnknownRecord:
            assert not known
        except Undone:
            assert same is None
        else:
            assert same is None
            assert known
            model.checks[check.id] = check
        return shop, check.id

    @rule(which=checks, asked_in=shops)
    def void(self, which: tuple[str, str], asked_in: str) -> None:
        _, check_id = which
        model = self.models[asked_in]
        there = model.checks.get(check_id)
        try:
            with self._write(asked_in) as records:
                voided = records.checks.void(check_id, "wrong", NOW)
        except UnknownRecord:
            assert there is None
        except AlreadyVoided:
            assert there is not None
            assert there.void is not None
        else:
            assert there is not None
            model.checks[check_id] = dataclasses.replace(there, void=Void(at=NOW, reason="wrong"))
            assert voided == model.checks[check_id]

    @rule(shop=shops, key=st.sampled_from(["k", "K", "ключ"]), body=st.binary(max_size=9))
    def keep_answer(self, shop: str, key: str, body: bytes) -> None:
        kept = self.models[shop].answers
        try:
            with self._write(shop) as records:
                records.idempotency.keep(key, "digest", 201, body, {}, NOW)
        except DuplicateRecord:
            assert key in kept
        else:
            assert key not in kept
            kept[key] = body

    @rule()
    def open_again(self) -> None:
        address = self.store.address
        self.store.close()
        type(self).store = Store.open(address)

    @rule(which=consumes(checks))
    def read_one(self, which: tuple[str, str]) -> None:
        _, check_id = which
        for shop, model in self.models.items():
            with self._read(shop) as records:
                assert records.checks.find(check_id) == model.checks.get(check_id)

    @invariant()
    def same(self) -> None:
        for shop, model in self.models.items():
            with self._read(shop) as records:
                self._compare(records, model)

    def _compare(self, records: ShopStore, model: Model) -> None:
        assert list(records.wrenches.list()) == [
            model.wrenches[serial] for serial in sorted(model.wrenches, key=str.encode)
        ]
        assert {each.serial: each for each in records.testers.list()} == model.testers
        counting = [check for check in model.checks.values() if check.void is None]
        assert list(records.checks.every()) == counting
        for serial in SERIALS:
            listed = records.checks.list(serial, include_voided=True)
            wanted = [check for check in model.checks.values() if check.wrench == serial]
            wanted.sort(key=lambda check: check.performed_at)
            assert [check.performed_at for check in listed] == [
                check.performed_at for check in reversed(wanted)
            ]
            assert sorted(listed, key=lambda each: each.id) == sorted(
                wanted, key=lambda each: each.id
            )
        for key in ("k", "K", "ключ"):
            kept = records.idempotency.find(key)
            assert (kept.body if kept else None) == model.answers.get(key)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., None]]:
    """Runs the store against the model so many times."""
    StoreAgainstModel.store = Store.open(tmp_path / "shop.db", migrate=True)

    def run(examples: int, *, long: bool = False, shrink: bool = False) -> None:
        phases = (Phase.generate, Phase.shrink) if shrink else (Phase.generate,)
        run_state_machine_as_test(  # type: ignore[no-untyped-call]
            StoreAgainstModel,
            settings=settings(
                max_examples=examples,
                stateful_step_count=30,
                deadline=None,
                derandomize=not long,
                database=None,
                print_blob=False,
                phases=phases,
                suppress_health_check=list(HealthCheck),
            ),
        )

    yield run
    StoreAgainstModel.store.close()


def test_the_store_does_as_the_model(run: Callable[..., None], long: bool) -> None:
    run(1_000 if long else 20, long=long, shrink=True)


def test_a_filter_by_shop_that_is_off_is_found(
    run: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Planted: checks are found in whichever shop they are."""

    def of_any_shop(self: Checks, check_id: str) -> Check | None:
        for shop in self._scope.connection.execute(text("SELECT id FROM shops")).scalars():
            scope = dataclasses.replace(self._scope, shop_id=shop)
            found = Checks(scope).find_many((check_id,))
            if found:
                return found[0]
        return None

    monkeypatch.setattr(Checks, "find", of_any_shop)
    with pytest.raises(AssertionError):
        run(100)


def test_the_same_check_twice_is_found(
    run: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Planted: neither the code nor the unique index looks for a check that is there already."""

    def nothing(*_: Any) -> None:
        return None

    monkeypatch.setattr(Checks, "_refuse_duplicates", nothing)
    with StoreAgainstModel.store._writing() as connection:
        connection.exec_driver_sql("DROP INDEX uq_checks_natural_key")
    with pytest.raises(AssertionError):
        run(100)


def test_the_index_alone_keeps_the_same_check_from_being_stored_twice(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where the code does not look, the database does."""
    monkeypatch.setattr(Checks, "_refuse_duplicates", lambda *_: None)
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        with store.write(LOCAL_SHOP) as records:
            records.wrenches.add(a_wrench("A"))
            records.testers.add(a_tester("A"))
        check = Check(
            id="00000000-0000-4000-8000-000000000001",
            wrench="A",
            kind=CheckKind.AS_FOUND,
            direction=Direction.CLOCKWISE,
            performed_at=NOW,
            tester="A",
            operator=None,
            temperature_c=None,
            cycle_count=None,
            points=(Point(target=nm(20), readings=(Reading(reference=nm(20), indicated=nm(20)),)),),
            recorded_at=NOW,
        )
        again = dataclasses.replace(check, id="00000000-0000-4000-8000-000000000002")
        with store.write(LOCAL_SHOP) as records:
            records.checks.add(check)
        with (
            pytest.raises(Exception, match=r"(?i)unique|uq_checks_natural_key"),
            store.write(LOCAL_SHOP) as records,
        ):
            records.checks.add(again)
        with store.read(LOCAL_SHOP) as records:
            assert [each.id for each in records.checks.every()] == [check.id]
