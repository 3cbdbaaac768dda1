"""The fleet is fitted once for one evidence, however many ask, and anew when it changes."""

import gc
import threading
import time
import weakref
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from analysis.evidence import CIRCUMSTANCES, READINGS, WRENCHES
from service.fleet_cache import BYTES_OF_A_READING, BYTES_OF_A_WRENCH, MOST_PAST, FleetCache
from service.records import CheckPaper, Policy
from service.shop_evidence import ShopEvidence
from service.store.changes import Place

Loaded = tuple[pl.DataFrame, pl.DataFrame, dict[str, CheckPaper]]


class Fitting:
    """Counts the fits asked for; each takes long enough for others to ask meanwhile."""

    def __init__(self) -> None:
        self.made = 0
        self._lock = threading.Lock()

    def __call__(self, wrenches: pl.DataFrame, deviations: pl.DataFrame) -> Any:
        with self._lock:
            self.made += 1
        time.sleep(0.05)
        return object()


@pytest.fixture
def fitting(monkeypatch: pytest.MonkeyPatch) -> Fitting:
    counted = Fitting()
    monkeypatch.setattr("analysis.fleet.fit_fleet", counted)
    return counted


A_WRENCH = ("TW-1", "spring", 20.0, 100.0, 4.0, None, False, None, 1.0)
TEN = [("TW-1", "clockwise", "c", "as_found", 2e4, None, True, 50.0, 50.0, 50.0)] * 10


def framed(rows: list[Any], schema: pl.Schema) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema, orient="row")


class Nothing:
    """A shop without wrenches, no version of which follows from another."""

    def place(self) -> Place:
        return Place("a", 0)

    def changed_since(self, place: Place) -> None:
        return None

    def load(self, among: frozenset[str] | None) -> Loaded:
        wrenches, readings = (pl.DataFrame(schema=each) for each in (WRENCHES, READINGS))
        return wrenches, readings, {}


nothing = Nothing()


def studied(evidence: ShopEvidence) -> ShopEvidence:
    """With what a study asks for."""
    evidence.studies.with_circumstances(lambda: pl.DataFrame(schema=CIRCUMSTANCES))
    return evidence


def test_many_questions_at_once_share_one_fit(fitting: Fitting) -> None:
    cache = FleetCache()

    def ask(_: int) -> Any:
        return cache.evidence("local", "a-1", None, nothing).under(Policy()).fit

    with ThreadPoolExecutor(8) as callers:
        fits = list(callers.map(ask, range(8)))
    assert fitting.made == 1
    assert len({id(fit) for fit in fits}) == 1


@pytest.mark.parametrize(
    "other", [("local", "a-2"), ("next door", "a-1")], ids=["evidence", "shop"]
)
def test_other_evidence_has_another_fit(fitting: Fitting, other: tuple[str, str]) -> None:
    cache = FleetCache()
    for shop, version in (("local", "a-1"), other, ("local", "a-1")):
        cache.evidence(shop, version, None, nothing).under(Policy())
    assert fitting.made == 2


def test_another_policy_needs_no_other_fit(fitting: Fitting) -> None:
    evidence = FleetCache().evidence("local", "a-1", None, nothing)
    fits = [evidence.under(Policy(version=version)).fit for version in (1, 2)]
    assert fits[0] is fits[1]
    assert fitting.made == 1


def test_only_the_past_used_last_is_kept() -> None:
    cache, loaded = FleetCache(), []

    class Told(Nothing):
        def __init__(self, day: int) -> None:
            self.day = day

        def load(self, among: frozenset[str] | None) -> Loaded:
            loaded.append(self.day)
            return super().load(among)

    def ask(day: int) -> None:
        cache.evidence("local", "a-1", datetime(2026, 1, day, tzinfo=UTC), Told(day))

    for day in range(1, MOST_PAST + 1):
        ask(day)
    ask(1)
    ask(31)  # puts out 2, which was used longest ago
    ask(1)
    assert loaded == [*range(1, MOST_PAST + 1), 31]
    ask(2)
    assert loaded[-1] == 2


def test_the_size_counts_the_evidence_of_now_and_of_the_past() -> None:
    class Few(Nothing):
        def load(self, among: frozenset[str] | None) -> Loaded:
            papers = {"c": CheckPaper(card=None, uncertainty_pct=None, coverage_factor=None)}
            return framed([A_WRENCH], WRENCHES), framed(TEN, READINGS), papers

    sizes: list[int] = []
    cache = FleetCache(grown=lambda: sizes.append(cache.size))
    empty = cache.size
    cache.evidence("local", "a-1", None, Few())
    for day in range(1, MOST_PAST + 2):
        cache.evidence("local", "a-1", datetime(2026, 1, day, tzinfo=UTC), Few())
    one = BYTES_OF_A_WRENCH + 10 * BYTES_OF_A_READING
    assert sizes == [empty + one * min(made, 1 + MOST_PAST) for made in range(1, MOST_PAST + 3)]


@pytest.fixture
def studying(monkeypatch: pytest.MonkeyPatch) -> Fitting:
    counted = Fitting()
    monkeypatch.setattr(
        "analysis.range_study.range_study", lambda wrenches, read, *_: counted(wrenches, read)
    )
    return counted


def test_many_questions_at_once_share_one_study(studying: Fitting) -> None:
    evidence = studied(FleetCache().evidence("local", "a-1", None, nothing))
    with ThreadPoolExecutor(8) as callers:
        studies = list(callers.map(lambda _: evidence.studies.under(Policy()), range(8)))
    assert studying.made == 1
    assert len({id(study) for study in studies}) == 1


def test_another_policy_is_another_study(studying: Fitting) -> None:
    """The bands, the mark and the risk tolerated are the policy's."""
    evidence = studied(FleetCache().evidence("local", "a-1", None, nothing))
    for version in (1, 2, 2):
        evidence.studies.under(Policy(version=version))
    assert studying.made == 2


def test_a_study_under_way_holds_up_no_fit(
    fitting: Fitting, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, let_go = threading.Event(), threading.Event()

    def held(*_: Any) -> Any:
        begun.set()
        assert let_go.wait(30)

    monkeypatch.setattr("analysis.range_study.range_study", held)
    evidence = studied(FleetCache().evidence("local", "a-1", None, nothing))
    with ThreadPoolExecutor(1) as callers:
        study = callers.submit(evidence.studies.under, Policy())
        assert begun.wait(30)
        evidence.under(Policy())
        assert fitting.made == 1
        assert not study.done()
        let_go.set()


@pytest.fixture
def no_collector() -> Iterator[None]:
    """What lies in a circle stays."""
    gc.disable()
    yield
    gc.enable()


def beside_work(evidence: ShopEvidence, pulls_version: int) -> ShopEvidence:
    return evidence.with_work(pulls_version, 20_000.0, nothing, lambda _: {})


def test_evidence_beside_work_that_went_on_is_freed_at_once(
    fitting: Fitting, no_collector: None
) -> None:
    """Else every pull recorded would leave one behind."""
    evidence = FleetCache().evidence("local", "a-1", None, nothing)
    left = []
    for pulls_version in range(3):
        beside = beside_work(evidence, pulls_version)
        beside.under(Policy())
        left.append(weakref.ref(beside))
        del beside
    assert [each() is None for each in left] == [True, True, False]


def test_evidence_that_nobody_holds_is_freed_at_once(fitting: Fitting, no_collector: None) -> None:
    evidence = FleetCache().evidence("local", "a-1", None, nothing)
    beside = beside_work(evidence, 1)
    beside.under(Policy())
    left = [weakref.ref(evidence), weakref.ref(beside)]
    del evidence, beside
    assert [each() is None for each in left] == [True, True]
