"""Due by cycles: pulls recorded since the last check move the date at once, and refit nothing."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import key, torque
from sample_fleet import fill
from sample_records import NOW

import analysis.fleet
from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

DUE = "/v1/wrenches/SP-1/due"
DAY = timedelta(days=1)


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[TestClient[Application]]:
    """SP-1 was checked clockwise 30 days ago, and no counter was read."""
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def record(client: TestClient[Any], days_ago: float, count: int, wrench: str = "SP-1") -> str:
    pull = {
        "job": f"W-{days_ago}",
        "torque": torque(60),
        "direction": "counter_clockwise",
        "performed_at": (NOW - days_ago * DAY).isoformat(),
        "count": count,
    }
    answer = client.post(
        f"/v1/wrenches/{wrench}/pulls", json={"pulls": [pull]}, headers=key(f"{wrench}{days_ago}")
    )
    assert answer.status_code == 200, answer.text
    return str(answer.json()["stored"][0]["id"])


def due(client: TestClient[Any]) -> dict[str, Any]:
    (only,) = client.get(DUE, params={"direction": "clockwise"}).json()["directions"]
    assert isinstance(only, dict)
    return only


def test_the_count_and_its_source_are_told(fleet: TestClient[Any]) -> None:
    before = due(fleet)
    record(fleet, 40, 900)  # before the check
    record(fleet, 20, 30)
    record(fleet, 2, 12)
    use = due(fleet)["cycles_since_check"]
    assert before["cycles_since_check"]["source"] == "pace_assumed"
    assert (use["cycles"], use["source"], use["recorded_pulls"]) == (42, "pulls", 42)
    assert use["in_words"] == "42 recorded pulls since that check."
    assert due(fleet)["in_words"].endswith(f" {use['in_words']}")


def test_the_cap_in_cycles_makes_it_overdue_at_once_everywhere(fleet: TestClient[Any]) -> None:
    tag = fleet.get(DUE).headers["etag"]
    assert fleet.get(DUE, headers={"If-None-Match": tag}).status_code == 304
    assert due(fleet)["overdue"] is False
    record(fleet, 25, 3000)
    pull = record(fleet, 10, 2500)
    assert fleet.get(DUE, headers={"If-None-Match": tag}).status_code == 200
    found = due(fleet)
    on = str((NOW - 10 * DAY).date())
    assert (found["bound_by"], found["due_on"], found["overdue"]) == ("cycles", on, True)
    assert found["cycles_cap_on"] == on
    assert found["in_words"].startswith(
        f"SP-1 clockwise: overdue since {on}, when it had made the 5,000 cycles that the policy "
        "allows between checks;"
    )
    assert found["in_words"].endswith(" 5,500 recorded pulls since that check.")
    rows = fleet.get("/v1/risks", params={"limit": 200}).json()["risks"]
    assert {row["due_on"] for row in rows if row["wrench"] == "SP-1"} == {on}
    visits = fleet.get("/v1/schedule").json()["visits"]
    assert next(each for each in visits if each["wrench"] == "SP-1")["due"] == on
    fleet.post(f"/v1/wrenches/SP-1/pulls/{pull}/void", json={"reason": "slip"}, headers=key("void"))
    assert due(fleet)["overdue"] is False


def test_a_recorded_pull_fits_no_fleet_anew(
    fleet: TestClient[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = due(fleet)

    def refit(*_: object) -> None:
        raise AssertionError("the fleet was fitted anew")

    monkeypatch.setattr(analysis.fleet, "fit_fleet", refit)
    record(fleet, 1, 5)
    after = due(fleet)
    assert after["cycles_since_check"]["recorded_pulls"] == 5
    assert after["reliability_on"] == before["reliability_on"]


def test_recording_begun_late_leaves_the_time_before_it_to_the_pace(tmp_path: Path) -> None:
    """Checked 30 days before NOW, asked 70 days after it; its counters told 1,000 in 120 days."""
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW + 70 * DAY))
        with signed_in(app, store) as client:
            record(client, -60, 55)
            use = due(client)["cycles_since_check"]
    assert (use["source"], use["recorded_pulls"]) == ("pace_assumed", 55)
    assert use["assumed"] == pytest.approx(90 * 1000 / 120)
    assert use["cycles"] == pytest.approx(805)
    assert use["in_words"] == (
        f"55 recorded pulls since {(NOW + 60 * DAY).date()} and about 750 cycles assumed at its "
        "pace of 8.3 a day since that check, as recording began later."
    )
