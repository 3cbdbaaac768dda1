"""Suspect work over HTTP: which stretch, which pulls, what to look at, and as a file."""

import csv
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_point, assert_problem, fields, key
from sample_fleet import fill
from sample_records import NOW, a_pull, nm

from analysis.vocabulary import Direction
from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

PATH = "/v1/wrenches/SP-3/reverse-traceability"
DAY = timedelta(days=1)
# SP-3 was found inside 150 days ago, and outside at 20 N·m 30 days ago.
WORK = [
    a_pull(wrench="SP-3", job="W-1", torque=nm(25), performed_at=NOW - 140 * DAY, count=4),
    a_pull(wrench="SP-3", job="W-2", torque=nm(22), performed_at=NOW - 40 * DAY, count=8),
    a_pull(wrench="SP-3", job="W-2", torque=nm(90), performed_at=NOW - 40 * DAY),
    a_pull(wrench="SP-3", job="W-3", torque=nm(12), performed_at=NOW - 90 * DAY, count=2),
    a_pull(wrench="SP-3", job="W-4", torque=nm(60), performed_at=NOW - 91 * DAY),
    a_pull(wrench="SP-3", job="W-5", torque=nm(22), performed_at=NOW - 200 * DAY),
    a_pull(wrench="SP-3", job="W-6", torque=nm(22), performed_at=NOW - 2 * DAY),
    a_pull(
        wrench="SP-3",
        job="W-7",
        torque=nm(22),
        performed_at=NOW - 50 * DAY,
        direction=Direction.COUNTER_CLOCKWISE,
    ),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A shop in which SP-3 was found outside, read by every test and changed by none."""
    with Store.open(tmp_path_factory.mktemp("fleet") / "shop.db", migrate=True) as opened:
        fill(opened)
        with opened.write(LOCAL_SHOP) as shop:
            shop.pulls.add_many(WORK)
            voided = a_pull(wrench="SP-3", job="W-8", performed_at=NOW - 60 * DAY)
            shop.pulls.add_many([voided])
            shop.pulls.void(voided.id, "made with SP-2", NOW)
        yield opened


@pytest.fixture(scope="module")
def fleet(store: Store) -> Iterator[TestClient[Application]]:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    with signed_in(app, store) as client:
        yield client


def traced(client: TestClient[Any], **query: Any) -> dict[str, Any]:
    response = client.get(PATH, params={"direction": "clockwise"} | query)
    assert response.status_code == 200, response.text
    (only,) = response.json()["directions"]
    assert isinstance(only, dict)
    return only


def failing_check(client: TestClient[Any]) -> str:
    found = client.get("/v1/wrenches/SP-3/checks").json()["items"][0]
    return str(found["id"])


def test_the_work_between_the_two_checks_is_looked_at(fleet: TestClient[Any]) -> None:
    """Neither what was done before or after, nor the other way, nor what was voided."""
    answer = traced(fleet)
    assert answer["stretch"]["begin"] == "2025-12-05T12:00:00Z"
    assert answer["stretch"]["end"] == "2026-04-04T12:00:00Z"
    assert answer["stretch"]["found_out_by"] == failing_check(fleet)
    assert answer["pulls"] == 16
    jobs = {pull["job"] for pull in answer["most_suspect"]}
    assert jobs == {"W-1", "W-2", "W-3", "W-4"}


def test_what_cannot_be_judged_is_held_then_the_most_suspect(fleet: TestClient[Any]) -> None:
    """12 N·m is below the marked range from 20 N·m on."""
    answer = traced(fleet)
    held = [job["job"] for job in answer["hold"]]
    assert held[:2] == ["W-3", "W-2"]
    assert answer["hold"][0] | {"probability": None, "not_judged": 2} == answer["hold"][0]
    assert "W-4" not in held
    assert answer["not_judged"] == 2
    first, second = answer["most_suspect"][:2]
    assert (first["job"], first["probability"], first["flags"]) == (
        "W-3", None, ["outside_marked_range"],
    )  # fmt: skip
    assert second["job"] == "W-2"
    assert second["torque"]["value"] == 22
    assert second["too_little"] > 100 * second["too_much"]
    assert second["too_little"] + second["too_much"] == pytest.approx(second["probability"])


def test_the_sentence_says_since_when_how_much_and_what_first(fleet: TestClient[Any]) -> None:
    words = traced(fleet)["in_words"]
    assert words.startswith(
        "SP-3 clockwise: found outside on 2026-04-04, last found inside on 2025-12-05. Its own "
    )
    assert "Of 16 recorded pulls of 4 jobs in between, about " in words
    assert "first W-2 (" in words
    cautions = fleet.get(PATH).json()["cautions"]
    assert any("not thereby declared safe" in caution for caution in cautions)


def test_the_threshold_draws_the_line_and_declares_nothing_safe(fleet: TestClient[Any]) -> None:
    every = traced(fleet, recall_above=0)
    none = traced(fleet, recall_above=1)
    assert {job["job"] for job in every["hold"]} == {"W-1", "W-2", "W-3", "W-4"}
    assert every["below"] == {"jobs": 0, "highest_probability": None}
    assert [job["job"] for job in none["hold"]] == ["W-3"]
    assert none["below"]["jobs"] == 3
    assert fleet.get(PATH, params={"recall_above": 0.4}).json()["recall_above"] == 0.4
    assert fleet.get(PATH).json()["recall_above"] == 0.02


def test_crossings_stand_at_each_target_and_anywhere(fleet: TestClient[Any]) -> None:
    crossings = traced(fleet)["crossings"]
    torques = [each["torque"]["value"] if each["torque"] else None for each in crossings]
    assert torques == [20, 60, 100, None]
    low, anywhere = crossings[0], crossings[-1]
    assert anywhere["never"] <= low["never"] < crossings[1]["never"]
    assert low["between"][0] <= low["middle_on"] <= low["between"][1]
    curve = [point["probability"] for point in anywhere["crossed_by"]]
    assert curve == sorted(curve)
    assert curve[-1] == pytest.approx(1 - anywhere["never"])


def test_up_to_now_begins_with_the_last_good_check_all_the_same(fleet: TestClient[Any]) -> None:
    answer = traced(fleet, until_now=True)
    assert answer["stretch"]["begin"] == "2025-12-05T12:00:00Z"
    assert answer["stretch"]["found_out_by"] is None
    assert answer["pulls"] == 17
    assert answer["in_words"].startswith("SP-3 clockwise: all its work since 2025-12-05, when")


def test_a_wrench_never_found_out_is_looked_at_up_to_now(fleet: TestClient[Any]) -> None:
    body = fleet.get("/v1/wrenches/SP-1/reverse-traceability").json()
    (answer,) = body["directions"]
    assert answer["stretch"]["begin"] == "2026-04-04T12:00:00Z"
    assert answer["hold"] == []
    assert "No pull is recorded since then." in answer["in_words"]


def test_as_of_an_earlier_day_nothing_later_counts(fleet: TestClient[Any]) -> None:
    answer = traced(fleet, as_of="2026-02-03T00:00:00Z")
    assert answer["stretch"]["found_out_by"] is None
    assert {pull["job"] for pull in answer["most_suspect"]} == {"W-1", "W-4"}


def test_a_check_that_found_nothing_wrong_cannot_be_named(fleet: TestClient[Any]) -> None:
    good = fleet.get("/v1/wrenches/SP-3/checks").json()["items"][1]["id"]
    problem = assert_problem(fleet.get(PATH, params={"check": good}), "invalid-request")
    assert fields(problem) == ["query:check"]
    assert "inside" in problem["errors"][0]["detail"]


def test_a_check_is_named_with_its_own_direction_alone(fleet: TestClient[Any]) -> None:
    check = failing_check(fleet)
    (named,) = fleet.get(PATH, params={"check": check}).json()["directions"]
    assert named == traced(fleet)
    other = {"check": check, "direction": "counter_clockwise"}
    problem = assert_problem(fleet.get(PATH, params=other), "invalid-request")
    assert fields(problem) == ["query:direction"]
    both = {"check": check, "until_now": True}
    problem = assert_problem(fleet.get(PATH, params=both), "invalid-request")
    assert fields(problem) == ["query:until_now"]
    assert_problem(fleet.get(PATH, params={"check": "no such"}), "unknown-record")


def test_a_wrench_without_evidence_says_what_would_do(fleet: TestClient[Any]) -> None:
    (answer,) = fleet.get("/v1/wrenches/NEW-1/reverse-traceability").json()["directions"]
    assert answer["status"] == "not_enough_evidence"
    assert fleet.get("/v1/wrenches/NEW-1/reverse-traceability.csv").text.count("\n") == 1


def test_the_file_holds_every_record_the_most_suspect_first(fleet: TestClient[Any]) -> None:
    response = fleet.get(f"{PATH}.csv", params={"direction": "clockwise"})
    assert response.headers["content-type"] == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(response.text.splitlines()))
    answer = traced(fleet)
    assert [row["pull"] for row in rows] == [pull["pull"] for pull in answer["most_suspect"]]
    held = {job["job"] for job in answer["hold"]}
    assert {row["job"] for row in rows if row["hold"] == "yes"} == held
    assert rows[0]["probability"] == ""
    assert float(rows[1]["probability"]) == pytest.approx(
        answer["most_suspect"][1]["probability"], rel=1e-4
    )


def test_an_answer_held_already_is_not_sent_again_until_work_is_recorded(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with Store.open(tmp_path_factory.mktemp("own") / "shop.db", migrate=True) as store:
        fill(store, ("SP-3",))
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            tag = client.get(PATH).headers["etag"]
            assert client.get(PATH, headers={"If-None-Match": tag}).status_code == 304
            with store.write(LOCAL_SHOP) as shop:
                shop.pulls.add_many(WORK)
            again = client.get(PATH, headers={"If-None-Match": tag})
    assert again.status_code == 200
    assert again.json()["directions"][0]["pulls"] == 16


def test_a_failing_check_points_to_the_work_before_it(client: TestClient[Any]) -> None:
    body = a_check_body(points=[a_point(20, (19.8, 19.0, 19.8))])
    check = client.post(CHECKS, json=body, headers=key()).json()
    pointer = check["verdict"]["suspect_work"]
    assert pointer["path"] == f"/v1/wrenches/TW-1/reverse-traceability?check={check['id']}"
    assert "is suspect" in pointer["in_words"]
    # The first check of the wrench: nothing says since when.
    (answer,) = client.get(pointer["path"]).json()["directions"]
    assert answer["status"] == "not_enough_evidence"


@pytest.mark.parametrize(
    ("kind", "values"), [("as_found", (19.8, 19.8)), ("as_left", (19.8, 19.0, 19.8))]
)
def test_other_checks_point_nowhere(
    client: TestClient[Any], kind: str, values: tuple[float, ...]
) -> None:
    body = a_check_body(kind=kind, points=[a_point(20, values)])
    check = client.post(CHECKS, json=body, headers=key()).json()
    assert check["verdict"]["suspect_work"] is None
