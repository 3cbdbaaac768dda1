"""A new check is answered under laws learnt before; they are learnt anew in the background."""

import math
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_records import NOW, a_check, a_tester, a_wrench

from analysis.fleet_laws import FleetLaws, learn_fleet_laws
from analysis.teachers import Teachers
from analysis.vocabulary import CheckKind
from service import metrics
from service.app import create_app
from service.clock import PinnedClock
from service.relearning import Relearning
from service.store import LOCAL_SHOP, Store

DUE = "/v1/wrenches/SP-1/due"


def test_askings_of_one_subject_are_served_once_by_the_last() -> None:
    done: list[str] = []
    relearning = Relearning(0.05)
    for name in ("first", "second", "last"):
        relearning.soon("shop", lambda name=name: done.append(name))
    relearning.soon("other shop", lambda: done.append("other"))
    assert relearning.wait(30)
    assert sorted(done) == ["last", "other"]


def test_what_is_asked_while_work_is_done_is_served_next() -> None:
    done: list[int] = []
    relearning = Relearning(0.01)

    def first() -> None:
        relearning.soon("shop", lambda: done.append(2))
        done.append(1)

    relearning.soon("shop", first)
    assert relearning.wait(30)
    assert done == [1, 2]


def waiting() -> float:
    for line in metrics.exposition().decode().splitlines():
        if line.startswith("wrench_drift_learning_waiting "):
            return float(line.rpartition(" ")[2])
    raise AssertionError("the gauge is not told")


def test_what_waits_is_told_until_it_is_done() -> None:
    before, go_on = waiting(), threading.Event()
    relearning = Relearning(0.01)
    for subject in ("shop", "shop", "other shop"):
        relearning.soon(subject, go_on.wait)
    under_way = waiting() - before
    go_on.set()
    assert relearning.wait(30)
    # The first may have begun before it was asked for again, and then counts twice.
    assert under_way in {2, 3}
    assert waiting() == before


def test_work_that_fails_holds_up_nothing(caplog: pytest.LogCaptureFixture) -> None:
    before, done = waiting(), []
    relearning = Relearning(0.01)
    relearning.soon("shop", lambda: done.append(1 // 0))
    assert relearning.wait(30)
    relearning.soon("shop", lambda: done.append(2))
    assert relearning.wait(30)
    assert (done, waiting()) == ([2], before)
    assert "work in the background failed" in caplog.text


def test_after_an_endless_pause_nothing_is_done() -> None:
    done: list[int] = []
    relearning = Relearning(math.inf)
    relearning.soon("shop", lambda: done.append(1))
    assert relearning.wait(0.1)
    assert done == []


class Learning:
    """Counts how often laws are learnt, and can hold the next learning."""

    def __init__(self) -> None:
        self.made = 0
        self.go_on = threading.Event()
        self.go_on.set()

    def __call__(self, teachers: Teachers) -> FleetLaws:
        assert self.go_on.wait(60)
        self.made += 1
        return learn_fleet_laws(teachers)


@pytest.fixture
def learning(monkeypatch: pytest.MonkeyPatch) -> Iterator[Learning]:
    counted = Learning()
    for place in ("analysis.fleet", "analysis.fleet_laws"):
        monkeypatch.setattr(f"{place}.learn_fleet_laws", counted)
    yield counted
    counted.go_on.set()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    from datetime import timedelta

    with Store.open(tmp_path / "shop.db", migrate=True) as opened:
        with opened.write(LOCAL_SHOP) as shop:
            shop.testers.add(a_tester())
            for serial in ("SP-1", "SP-2"):
                shop.wrenches.add(a_wrench(serial))
                for age in (300, 100):
                    performed_at = NOW - timedelta(days=age)
                    shop.checks.add(
                        a_check(serial, kind=CheckKind.AS_FOUND, performed_at=performed_at)
                    )
        yield opened


def add_check(store: Store) -> None:
    from datetime import timedelta

    with store.write(LOCAL_SHOP) as shop:
        performed_at = NOW - timedelta(days=1)
        shop.checks.add(a_check("SP-1", kind=CheckKind.AS_FOUND, performed_at=performed_at))


def client(store: Store, relearn_after_s: float | None) -> TestClient[Any]:
    app = create_app(
        store=store,
        shop=LOCAL_SHOP,
        clock=PinnedClock(NOW),
        relearn_after_s=relearn_after_s,
    )
    return signed_in(app, store)


def test_a_new_check_is_answered_without_learning(store: Store, learning: Learning) -> None:
    """The answer rests on the new check at once, and says whose laws it rests on."""
    with client(store, 3600.0) as shop:
        before = shop.get(DUE)
        add_check(store)
        learning.go_on.clear()  # whoever learns now would wait
        after = shop.get(DUE)
    assert learning.made == 1
    assert after.headers["ETag"] != before.headers["ETag"]
    seen = [answer.json()["directions"][0]["last_check_on"] for answer in (before, after)]
    assert seen == ["2026-01-24", "2026-05-03"]
    assert before.json()["method"]["laws"] == after.json()["method"]["laws"]


def test_laws_learnt_later_are_named_and_tagged(store: Store, learning: Learning) -> None:
    with client(store, 0.05) as shop:
        shop.get(DUE)
        add_check(store)
        at_once = shop.get(DUE)
        for _ in range(600):
            later = shop.get(DUE)
            if later.headers["ETag"] != at_once.headers["ETag"]:
                break
            threading.Event().wait(0.05)
        assert later.json()["method"]["laws"] != at_once.json()["method"]["laws"]
        held = shop.get(DUE, headers={"If-None-Match": later.headers["ETag"]})
    assert held.status_code == 304
    assert learning.made == 2


def test_left_alone_every_evidence_has_its_own_laws(store: Store, learning: Learning) -> None:
    with client(store, None) as shop:
        first = shop.get(DUE).json()["method"]["laws"]
        add_check(store)
        assert shop.get(DUE).json()["method"]["laws"] != first
    assert learning.made == 2


def test_an_earlier_instant_rests_on_nothing_later(store: Store, learning: Learning) -> None:
    """As of a day before the last check, laws learnt with that check must not be used."""
    with client(store, 3600.0) as shop:
        shop.get(DUE)
        shop.get(DUE, params={"as_of": "2026-01-01T00:00:00Z"})
    assert learning.made == 2


def test_the_first_wrench_of_its_kind_has_laws_learnt_for_it(
    store: Store, learning: Learning
) -> None:
    from analysis.vocabulary import Mechanism

    with client(store, 3600.0) as shop:
        shop.get(DUE)
        with store.write(LOCAL_SHOP) as records:
            records.wrenches.add(a_wrench("DL-1", mechanism=Mechanism.DIAL))
            records.checks.add(a_check("DL-1", kind=CheckKind.AS_FOUND))
        answer = shop.get("/v1/wrenches/DL-1/due").json()
    assert answer["directions"][0]["status"] == "answered"
    assert learning.made == 2
