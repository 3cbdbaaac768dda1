"""Jobs against the shop's wrenches over HTTP: JSON and CSV, what covers what, what is refused."""

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import assert_problem, fields, torque
from sample_fleet import fill, take_out_of_service
from sample_records import NOW, a_wrench, nm

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.records import MaximumPermissibleDeviation
from service.store import LOCAL_SHOP, Store


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """SP-1 and EL-1 are sound, SP-3 was found out, SP-2 is out of service; 20 to 100 N·m each.

    BIG-1, 100 to 500 N·m, and NEW-1 were never checked.
    """
    with Store.open(tmp_path_factory.mktemp("fleet") / "shop.db", migrate=True) as store:
        fill(store)
        with store.write(LOCAL_SHOP) as shop:
            shop.wrenches.add(
                a_wrench(
                    "BIG-1",
                    lowest=nm(200),
                    full_scale=nm(500),
                    mpd_clockwise=MaximumPermissibleDeviation(percent=4),
                )
            )
        take_out_of_service(store, "SP-2")
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def a_job(name: str, value: float, **more: Any) -> dict[str, Any]:
    return {"name": name, "torque": torque(value)} | more


def cover(client: TestClient[Any], *jobs: dict[str, Any], **params: str) -> dict[str, Any]:
    response = client.post("/v1/coverage", json={"jobs": list(jobs)}, params=params)
    assert response.status_code == 200, response.text
    body: dict[str, Any] = response.json()
    return body


def test_one_wrench_does_what_it_can_and_the_rest_has_its_reason(
    fleet: TestClient[Any],
) -> None:
    found = cover(
        fleet,
        a_job("bracket", 50),
        a_job("left-hand nut", 50, direction="counter_clockwise"),
        a_job("hub", 300),
        a_job("stem", 5),
        a_job("anchor", 4000),
    )
    assert [job["uncovered"] for job in found["jobs"]] == [
        None, "no_evidence", "no_evidence", "out_of_every_range", "out_of_every_range",
    ]  # fmt: skip
    (taken,) = found["fewest"]
    assert taken["jobs"] == ["bracket"]
    assert found["in_words"] == (
        f"1 wrench does 1 of the 5 jobs: {taken['wrench']}; no wrench in service may do the other"
        " 4."
    )
    assert (
        "no wrench may do it: BIG-1 has the range, but no reading that way"
        in (found["jobs"][2]["in_words"])
    )
    ranges = found["missing_ranges"]
    assert [each["jobs"] for each in ranges] == [["stem"], ["left-hand nut"], ["hub"], ["anchor"]]
    assert ranges[1]["directions"] == ["counter_clockwise"]
    assert (ranges[2]["least_full_scale_nm"], ranges[2]["most_full_scale_nm"]) == (300, 1500)


def test_the_matrix_agrees_with_the_risk_of_each_pull(fleet: TestClient[Any]) -> None:
    (job,) = cover(fleet, a_job("bracket", 25, on="2026-06-01"))["jobs"]
    assert {each["wrench"] for each in job["wrenches"]} == {"SP-1", "SP-3", "EL-1"}
    assert job["out_of_service"] == ["SP-2"]
    silent = {each["because"]: each["wrenches"] for each in job["without_risk"]}
    assert silent == {"out_of_range": ["BIG-1"], "no_reading_that_way": ["NEW-1"]}
    for each in job["wrenches"]:
        path = f"/v1/wrenches/{each['wrench']}/risk"
        asked = {"torque": 25, "unit": "N.m", "direction": "clockwise", "on": "2026-06-01"}
        (alone,) = fleet.get(path, params=asked).json()["directions"]
        for name in ("fitness", "reasons"):
            assert each[name] == alone[name]
        for name in ("pull_risk", "pass_probability", "x_pct_of_full_scale", "mpd_pct"):
            assert each[name] == pytest.approx(alone[name], rel=1e-9)
        assert each["covers"] == (
            alone["fitness"] != "not_fit" and alone["pull_risk"] <= job["tolerated_pull_risk"]
        )
    assert not next(each for each in job["wrenches"] if each["wrench"] == "SP-3")["covers"]
    assert job["done_with"] in ("SP-1", "EL-1")


def test_a_safety_critical_job_tolerates_a_tenth(fleet: TestClient[Any]) -> None:
    ordinary, critical = cover(
        fleet, a_job("bracket", 50), a_job("brake", 50, criticality="safety_critical")
    )["jobs"]
    assert ordinary["tolerated_pull_risk"] == pytest.approx(0.02)
    assert critical["tolerated_pull_risk"] == pytest.approx(0.002)
    assert "safety-critical" in critical["in_words"]


def test_csv_asks_the_same_and_the_matrix_comes_back_as_csv(fleet: TestClient[Any]) -> None:
    rows = "job,torque,unit,angle_deg,criticality\nbracket,50,Nm,90,safety_critical\n"
    headers = {"Content-Type": "text/csv"}
    answer = fleet.post("/v1/coverage", content=rows, headers=headers)
    same = cover(fleet, a_job("bracket", 50, angle_deg=90, criticality="safety_critical"))
    assert answer.json() == same
    assert same["jobs"][0]["angle_deg"] == 90
    matrix = fleet.post("/v1/coverage", content=rows, headers=headers | {"Accept": "text/csv"})
    assert matrix.headers["content-type"].startswith("text/csv")
    found = list(csv.DictReader(io.StringIO(matrix.text)))
    assert [row["wrench"] for row in found] == [w["wrench"] for w in same["jobs"][0]["wrenches"]]
    assert {row["done_with"] for row in found} == {same["jobs"][0]["done_with"]}


def test_the_same_question_has_the_same_answer_in_any_order(fleet: TestClient[Any]) -> None:
    jobs = [a_job(f"job {i}", 20 + 9 * i) for i in range(8)]
    found, turned = cover(fleet, *jobs), cover(fleet, *reversed(jobs))
    assert found == cover(fleet, *jobs)
    assert [each["wrench"] for each in found["fewest"]] == [
        each["wrench"] for each in turned["fewest"]
    ]
    assert found["jobs"] == turned["jobs"][::-1]


@pytest.mark.parametrize(
    ("job", "place"),
    [
        (a_job("bracket", -1), "/jobs/0/torque/value"),
        ({"name": "bracket", "torque": {"value": 5, "unit": "J"}}, "/jobs/0/torque/unit"),
        (a_job("bracket", 5, on="2026-05-03"), "/jobs/0/on"),
        (a_job("bracket", 5, on="2046-05-03"), "/jobs/0/on"),
        (a_job("bracket", 5, criticality="grave"), "/jobs/0/criticality"),
        (a_job("bracket", 5, colour="red"), "/jobs/0/colour"),
    ],
)
def test_what_cannot_be_meant_is_named(
    fleet: TestClient[Any], job: dict[str, Any], place: str
) -> None:
    response = fleet.post("/v1/coverage", json={"jobs": [job]})
    assert fields(assert_problem(response, "invalid-request"))[0] == place


def test_two_jobs_of_one_name_are_refused_wherever_they_stand(fleet: TestClient[Any]) -> None:
    twice = {"jobs": [a_job("bracket", 30), a_job("bracket", 40)]}
    problem = assert_problem(fleet.post("/v1/coverage", json=twice), "invalid-request")
    assert fields(problem) == ["/jobs/1/name"]
    rows = "job,torque,unit\nbracket,30,N.m\n\nbracket,40,N.m\nrod,4x,N.m\n"
    response = fleet.post("/v1/coverage", content=rows, headers={"Content-Type": "text/csv"})
    (fault,) = assert_problem(response, "refused")["errors"]
    assert (fault["row"], fault["field"]) == (4, "torque")
    rows = rows.replace("4x", "40")
    response = fleet.post("/v1/coverage", content=rows, headers={"Content-Type": "text/csv"})
    (fault,) = assert_problem(response, "refused")["errors"]
    assert (fault["row"], fault["field"]) == (3, "job")


@pytest.mark.parametrize("media_type", ["application/json", "text/csv"])
def test_a_question_without_jobs_is_no_question(fleet: TestClient[Any], media_type: str) -> None:
    body = '{"jobs": []}' if media_type == "application/json" else "job,torque,unit\n"
    response = fleet.post("/v1/coverage", content=body, headers={"Content-Type": media_type})
    assert response.status_code == 422
    assert response.json()["errors"][0]["remedy"]
