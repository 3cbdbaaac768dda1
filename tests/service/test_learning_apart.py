"""Laws learnt in a process of its own are the same laws, and nobody waits for one that fails."""

import json
import pickle
import subprocess
import sys
import threading
from datetime import timedelta
from typing import Any

import pytest
from calling import signed_in
from sample_records import NOW, a_check, a_tester, a_wrench, points

from analysis.deviation import with_deviations
from analysis.fleet_laws import learn_fleet_laws
from analysis.law_records import to_record
from analysis.teachers import Teachers, teachers_of
from service import learning_apart
from service.app import create_app
from service.clock import PinnedClock
from service.learning_apart import LearnerFailed, learn_apart
from service.shop_laws import _learn_apart
from service.store import LOCAL_SHOP, Store

DUE = "/v1/wrenches/TW-1/due"


def fill(store: Store, wrenches: int, checks: int) -> None:
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        for number in range(1, wrenches + 1):
            shop.wrenches.add(a_wrench(f"TW-{number}"))
            for place in range(checks):
                low_by = (number * 7 + place * 3) % 5 / 4
                at = NOW - timedelta(days=20 + 60 * place + number)
                read = points(20, 60, 100, low_by=low_by)
                shop.checks.add(a_check(f"TW-{number}", performed_at=at, points=read))


def teachers_in(store: Store) -> Teachers:
    with store.read(LOCAL_SHOP) as records:
        return teachers_of(with_deviations(*records.evidence(NOW)))


@pytest.fixture
def teachers(empty_store: Store) -> Teachers:
    """Too few for laws of their own, so that little is to be learnt."""
    fill(empty_store, wrenches=2, checks=2)
    return teachers_in(empty_store)


def told(laws: Any) -> str:
    return json.dumps(to_record(laws))


def test_they_are_the_same_to_the_last_digit(teachers: Teachers) -> None:
    assert told(learn_apart(teachers)) == told(learn_fleet_laws(teachers))


@pytest.mark.parametrize("program", ["/bin/false", "/no/such/program", "/bin/true"])
def test_a_process_that_fails_is_told_and_laws_are_learnt_all_the_same(
    teachers: Teachers,
    program: str,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(learning_apart.sys, "executable", program)
    with pytest.raises(LearnerFailed, match="the process that learns"):
        learn_apart(teachers)
    assert told(_learn_apart(teachers)) == told(learn_fleet_laws(teachers))
    assert "laws are learnt here instead" in caplog.text


def test_it_ends_when_whoever_asked_is_gone(empty_store: Store) -> None:
    """Long before it would be done: its input ends as it does when that process is killed."""
    fill(empty_store, wrenches=8, checks=6)
    many = teachers_in(empty_store)
    with subprocess.Popen(
        [sys.executable, "-P", "-m", "service.learner"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        answer, _ = process.communicate(pickle.dumps(many), timeout=60)
    assert process.returncode == 1
    assert answer == b""


def test_a_service_learns_anew_beside_its_answers(
    empty_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The laws move on though this process cannot learn any more."""

    def refuse(_: Teachers) -> None:
        raise AssertionError("learnt in the process that answers")

    fill(empty_store, wrenches=1, checks=2)
    app = create_app(
        store=empty_store, clock=PinnedClock(NOW), relearn_after_s=0.05, learn_apart=True
    )
    with signed_in(app, empty_store) as client:
        before = client.get(DUE).json()["method"]["laws"]
        monkeypatch.setattr("analysis.fleet_laws.learn_fleet_laws", refuse)
        with empty_store.write(LOCAL_SHOP) as shop:
            shop.checks.add(a_check("TW-1", performed_at=NOW - timedelta(days=1)))
        for _ in range(1200):
            if client.get(DUE).json()["method"]["laws"] != before:
                break
            threading.Event().wait(0.05)
        else:
            raise AssertionError("the laws never moved on")
