"""Angle checks over HTTP: judged at once, refused with a remedy, voided and never edited."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_angles import ANGLE, an_angle_check_body, an_angle_point
from sample_bodies import a_policy_body, a_wrench_body, assert_problem, fields, key, torque

ANGLE_CHECKS = "/v1/wrenches/EA-1/angle-checks"


@pytest.fixture
def shop(client: TestClient[Any]) -> TestClient[Any]:
    """The service over a shop with the wrench EA-1, which shows angles."""
    body = a_wrench_body(serial="EA-1", mechanism="electronic", angle=ANGLE)
    assert client.post("/v1/wrenches", json=body).status_code == 201
    return client


def posted(shop: TestClient[Any], name: str = "key-1", **changes: Any) -> Any:
    return shop.post(ANGLE_CHECKS, json=an_angle_check_body(**changes), headers=key(name))


def test_the_answer_carries_the_verdict_with_its_sign_in_words(shop: TestClient[Any]) -> None:
    response = posted(shop)
    assert response.status_code == 201
    body = response.json()
    assert response.headers["location"] == f"{ANGLE_CHECKS}/{body['id']}"
    verdict = body["verdict"]
    assert (verdict["decision"], verdict["passed"]) == ("accept", True)
    first = verdict["points"][0]
    assert first["mean_deviation_deg"] == pytest.approx(1.1 / 3)
    assert first["turns"] == "less"
    assert first["in_words"] == "turns 0.37° less than it shows at 90°, limit ±2°"
    assert shop.get(response.headers["location"]).json() == body


def test_one_reading_beyond_the_limit_rejects_the_check(shop: TestClient[Any]) -> None:
    verdict = posted(shop, points=[an_angle_point(90, (0.1, -2.1, 0.2))]).json()["verdict"]
    assert (verdict["decision"], verdict["passed"]) == ("reject", False)
    decisions = [each["decision"] for each in verdict["points"][0]["readings"]]
    assert decisions == ["accept", "reject", "accept"]
    assert any("found out of tolerance" in caution for caution in verdict["cautions"])


def test_what_the_wrench_showed_counts_where_it_is_sent(shop: TestClient[Any]) -> None:
    point = {"target_deg": 90, "reference_deg": [91.0, 92.0], "indicated_deg": [91.5, 92.5]}
    verdict = posted(shop, points=[point]).json()["verdict"]
    assert verdict["points"][0]["mean_deviation_deg"] == pytest.approx(0.5)


def test_under_a_guarded_rule_the_uncertainty_of_the_reference_counts(
    shop: TestClient[Any],
) -> None:
    policy = a_policy_body(decision_rule="guarded_by_u", time_zone="UTC")
    assert shop.put("/v1/policy", json=policy, headers={"If-Match": '"v1"'}).status_code == 200
    points = [an_angle_point(90, (1.8, 1.8))]
    told = posted(shop, points=points, expanded_uncertainty_deg=0.3).json()["verdict"]
    assert told["decision"] == "inconclusive"
    untold = posted(shop, "key-2", points=points, performed_at="2026-05-04T09:00:00Z").json()
    assert untold["verdict"]["decision"] == "inconclusive"
    reading = untold["verdict"]["points"][0]["readings"][0]
    assert reading["conformance_probability"] is None
    assert "not known" in reading["because"]


def test_a_wrench_that_states_no_angle_performance_is_refused_with_the_remedy(
    client: TestClient[Any],
) -> None:
    response = client.post(
        "/v1/wrenches/TW-1/angle-checks", json=an_angle_check_body(), headers=key()
    )
    (finding,) = assert_problem(response, "refused")["errors"]
    assert "states no angle performance" in finding["detail"]
    assert "PATCH" in finding["remedy"]
    assert client.get("/v1/wrenches/TW-1/angle-checks").json()["items"] == []


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"points": []}, "/points"),
        ({"points": [an_angle_point(400)]}, "/points/0/target_deg"),
        ({"points": [an_angle_point(90), an_angle_point(90)]}, "/points/1/target_deg"),
        ({"points": [{"target_deg": 90, "reference_deg": []}]}, "/points/0/reference_deg"),
        (
            {"points": [{"target_deg": 90, "reference_deg": [89, 90], "indicated_deg": [90]}]},
            "/points/0/indicated_deg",
        ),
        ({"points": [{"target_deg": 90, "reference_deg": [1.57]}]}, "/points/0/reference_deg/0"),
        ({"tester": "TB-9"}, "/tester"),
        ({"tester": None}, "/tester"),
        ({"direction": "counter_clockwise"}, "/direction"),
        ({"performed_at": "2026-06-04T08:40:00Z"}, "/performed_at"),
        ({"performed_at": "2026-05-04T08:40:00"}, "/performed_at"),
        ({"coverage_factor": 2.0}, "/coverage_factor"),
        ({"replaces": "no-such-check"}, "/replaces"),
    ],
)
def test_what_breaks_a_rule_is_named_and_nothing_is_stored(
    shop: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    problem = assert_problem(posted(shop, **changes), "refused")
    assert fields(problem) == [field]
    assert shop.get(ANGLE_CHECKS).json()["items"] == []


def test_an_unusual_reading_is_taken_when_the_sender_stands_by_it(shop: TestClient[Any]) -> None:
    point = {"target_deg": 90, "reference_deg": [30.0]}
    assert posted(shop, points=[point], confirm_unusual=True).status_code == 201


@pytest.mark.parametrize("angle", [0, -90, 7201, True, "90"])
def test_what_is_no_angle_is_no_reading(shop: TestClient[Any], angle: Any) -> None:
    points = [{"target_deg": 90, "reference_deg": [angle]}]
    problem = assert_problem(posted(shop, points=points), "invalid-request")
    assert fields(problem) == ["/points/0/reference_deg/0"]


def test_a_card_speaks_in_place_of_a_tester(shop: TestClient[Any]) -> None:
    card = {"issuer": "bench of the maker", "certificate": "W-9", "issued_on": "2026-05-04"}
    body = posted(shop, kind="verification", tester=None, card=card).json()
    assert (body["tester"], body["card"]) == (None, card)


def test_the_same_check_counts_once(shop: TestClient[Any]) -> None:
    first = posted(shop)
    again = posted(shop)
    assert again.json() == first.json()
    assert again.headers["idempotency-replayed"] == "true"
    problem = assert_problem(posted(shop, "another-key"), "duplicate-record")
    assert problem["existing"] == first.json()["id"]
    assert len(shop.get(ANGLE_CHECKS).json()["items"]) == 1


def test_without_a_key_nothing_is_recorded(shop: TestClient[Any]) -> None:
    response = shop.post(ANGLE_CHECKS, json=an_angle_check_body())
    assert_problem(response, "idempotency-key-missing")


def test_a_wrong_check_is_voided_and_replaced(shop: TestClient[Any]) -> None:
    first = posted(shop).json()
    place = f"{ANGLE_CHECKS}/{first['id']}"
    problem = assert_problem(posted(shop, "key-2", replaces=first["id"]), "refused")
    assert fields(problem) == ["/replaces"]
    voided = shop.post(f"{place}/void", json={"reason": "reference slipped"}, headers=key("void"))
    assert voided.json()["void"] == {"at": "2026-05-04T12:00:00Z", "reason": "reference slipped"}
    again = shop.post(f"{place}/void", json={"reason": "once more"}, headers=key("void-2"))
    assert_problem(again, "already-voided")
    replaced = posted(shop, "key-2", replaces=first["id"])
    assert replaced.json()["replaces"] == first["id"]
    listed = shop.get(ANGLE_CHECKS).json()["items"]
    assert [each["id"] for each in listed] == [replaced.json()["id"]]
    every = shop.get(ANGLE_CHECKS, params={"include_voided": True}).json()["items"]
    assert len(every) == 2


def test_checks_are_listed_newest_first_a_page_at_a_time(shop: TestClient[Any]) -> None:
    for hour in (9, 7, 8):
        at = f"2026-05-04T0{hour}:00:00Z"
        assert posted(shop, f"key-{hour}", performed_at=at).status_code == 201
    found: list[str] = []
    cursor: str | None = None
    while True:
        params = {"limit": "2"} | ({"cursor": cursor} if cursor else {})
        page = shop.get(ANGLE_CHECKS, params=params).json()
        found += [each["performed_at"][11:13] for each in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert found == ["09", "08", "07"]


def test_a_held_answer_is_not_sent_again(shop: TestClient[Any]) -> None:
    recorded = posted(shop)
    place = recorded.headers["location"]
    tag = shop.get(place).headers["etag"]
    assert shop.get(place, headers={"If-None-Match": tag}).status_code == 304


def test_an_angle_check_of_another_wrench_is_unknown(shop: TestClient[Any]) -> None:
    check_id = posted(shop).json()["id"]
    assert_problem(shop.get(f"/v1/wrenches/TW-1/angle-checks/{check_id}"), "unknown-record")


def test_without_a_stated_performance_a_stored_check_has_no_verdict(
    shop: TestClient[Any],
) -> None:
    place = posted(shop).headers["location"]
    changed = shop.patch("/v1/wrenches/EA-1", json={"angle": None}, headers={"If-Match": '"v1"'})
    assert changed.json()["angle"] is None
    assert shop.get(place).json()["verdict"] is None


def test_a_wrench_takes_its_angle_performance_later(client: TestClient[Any]) -> None:
    change = {"angle": {"mpd_pct": 2, "mpd_deg": 1}}
    changed = client.patch("/v1/wrenches/TW-1", json=change, headers={"If-Match": '"v1"'})
    angle = {"mpd_deg": 1.0, "mpd_pct": 2.0, "resolution_deg": None, "highest_deg": None}
    assert changed.json()["angle"] == angle
    assert client.get("/v1/wrenches/TW-1").json()["angle"] == angle


@pytest.mark.parametrize(
    ("angle", "field"),
    [
        ({"resolution_deg": 0.1}, "/angle/mpd_deg"),
        ({"mpd_deg": 2, "resolution_deg": 1, "highest_deg": 1}, "/angle/resolution_deg"),
    ],
)
def test_an_angle_performance_that_cannot_judge_is_refused(
    client: TestClient[Any], angle: dict[str, float], field: str
) -> None:
    body = a_wrench_body(angle=angle, resolution=torque(0.1))
    problem = assert_problem(client.post("/v1/wrenches", json=body), "refused")
    assert fields(problem) == [field]


def test_the_trail_of_the_wrench_tells_of_its_angle_checks(shop: TestClient[Any]) -> None:
    recorded = posted(shop)
    place = recorded.headers["location"]
    headers = key("void") | {"Acting-Person": "C. Voider"}
    shop.post(f"{place}/void", json={"reason": "reference slipped"}, headers=headers)
    voided, added = shop.get("/v1/wrenches/EA-1/events").json()["items"][:2]
    assert (added["kind"], added["person"]) == ("angle_check_recorded", "bench 2")
    assert recorded.json()["id"] in added["why"]
    assert (voided["kind"], voided["person"]) == ("angle_check_voided", "C. Voider")
    assert "reference slipped" in voided["in_words"]


def test_a_correction_voids_and_replaces_in_one_moment(shop: TestClient[Any]) -> None:
    first = posted(shop).json()
    right = posted(shop, "key-2", replaces=first["id"], replaces_because="the reference slipped")
    assert right.status_code == 201
    (counting,) = shop.get(ANGLE_CHECKS).json()["items"]
    assert counting["id"] == right.json()["id"]
    void = shop.get(f"{ANGLE_CHECKS}/{first['id']}").json()["void"]
    assert void["reason"] == "the reference slipped"
