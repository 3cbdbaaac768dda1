"""Checks over HTTP: their verdict, the rules they are held to, voiding and replacing them."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import (
    CHECKS,
    a_check_body,
    a_point,
    a_tester_body,
    assert_problem,
    fields,
    key,
    torque,
)


def test_the_answer_carries_the_verdict(client: TestClient[Any]) -> None:
    """20 N·m read as 19.79, 19.83, 19.83: (20 - 19.79) / 19.79 = +1.061 %, low by ISO 6789."""
    response = client.post(CHECKS, json=a_check_body(points=[a_point()]), headers=key())

    assert response.status_code == 201
    check = response.json()
    assert response.headers["location"] == f"{CHECKS}/{check['id']}"
    verdict = check["verdict"]
    assert verdict["passed"] is True
    assert verdict["decision"] == "accept"
    point = verdict["points"][0]
    assert point["x_pct_of_full_scale"] == pytest.approx(20)
    assert point["band"] == "low"
    assert point["mpd_pct"] == pytest.approx(4)
    assert point["delivers"] == "low"
    deviations = [reading["deviation_pct"] for reading in point["readings"]]
    # Formula of ISO 6789-1:2017 (from memory), by hand.
    assert deviations == pytest.approx([1.06114, 0.85729, 0.85729], abs=1e-4)
    assert point["readings"][0]["of_setting_pct"] == pytest.approx(-1.05)
    assert verdict["remeasure"]["advised"] is False
    assert len(verdict["cautions"]) == 2


def test_one_reading_outside_fails_the_direction(client: TestClient[Any]) -> None:
    body = a_check_body(points=[a_point(20, (19.8, 19.0, 19.8))])
    verdict = client.post(CHECKS, json=body, headers=key()).json()["verdict"]
    assert verdict["passed"] is False
    assert verdict["decision"] == "reject"
    within = [reading["within"] for reading in verdict["points"][0]["readings"]]
    assert within == [True, False, True]
    assert any("stays out of use" in caution for caution in verdict["cautions"])


def test_the_guarded_rule_leaves_a_narrow_case_open(client: TestClient[Any]) -> None:
    """Deviation 3.9 % against 4 % with U 0.6 %: neither accepted nor rejected."""
    policy = client.get("/v1/policy").json()
    del policy["version"]
    client.put(
        "/v1/policy", json=policy | {"decision_rule": "guarded_by_u"}, headers={"If-Match": "*"}
    )
    body = a_check_body(points=[a_point(20, (19.25, 19.25, 19.25))])
    verdict = client.post(CHECKS, json=body, headers=key()).json()["verdict"]
    assert verdict["decision"] == "inconclusive"
    assert verdict["passed"] is False
    assert any("treat it as outside" in caution for caution in verdict["cautions"])


def test_remeasuring_is_advised_for_a_reading_unlike_its_fellows(client: TestClient[Any]) -> None:
    """The wrench's own earlier repeats scatter by 0.1 %; one reading now lies 3 % off."""
    steady = a_check_body(
        performed_at="2026-04-04T08:10:00Z",
        cycle_count=1100,
        points=[a_point(20, (19.80, 19.82, 19.81, 19.79, 19.80))],
    )
    client.post(CHECKS, json=steady, headers=key("steady"))
    odd = a_check_body(points=[a_point(20, (19.80, 19.82, 20.40, 19.79, 19.80))])
    advice = client.post(CHECKS, json=odd, headers=key("odd")).json()["verdict"]["remeasure"]
    assert advice["advised"] is True
    assert "earlier repeats" in advice["reasons"][0]["text"]


def test_a_check_reads_back_as_it_was_recorded(client: TestClient[Any]) -> None:
    recorded = client.post(CHECKS, json=a_check_body(), headers=key())
    read = client.get(recorded.headers["location"])
    assert read.json() == recorded.json()
    assert read.headers["etag"] == recorded.headers["etag"]
    unchanged = client.get(
        recorded.headers["location"], headers={"If-None-Match": read.headers["etag"]}
    )
    assert unchanged.status_code == 304
    assert unchanged.content == b""


def test_torque_comes_back_as_received_and_in_newton_metres(client: TestClient[Any]) -> None:
    """One ft·lbf is 1.3558179483314004 N·m (NIST SP 811)."""
    body = a_check_body(
        points=[
            {
                "target": torque(40, "ft-lb"),
                "readings": {"values": [40.1, 40.2], "unit": "ft-lb"},
                "indicated": {"values": [40.0, 40.05], "unit": "ft.lbf"},
            }
        ]
    )
    point = client.post(CHECKS, json=body, headers=key()).json()["points"][0]
    assert point["target"] == {
        "value": 40.0,
        "unit": "ft.lbf",
        "ucum": "[ft_i].[lbf_av]",
        "newton_metres": pytest.approx(54.232717933256),
    }
    assert point["readings"][1]["indicated"]["value"] == 40.05


def test_a_card_stands_for_a_check_the_shop_did_not_make(client: TestClient[Any]) -> None:
    body = a_check_body(
        kind="verification",
        card={"issuer": "bench of the maker", "certificate": "W-77", "issued_on": "2026-05-04"},
    )
    del body["tester"]
    check = client.post(CHECKS, json=body, headers=key()).json()
    assert check["tester"] is None
    assert check["card"]["certificate"] == "W-77"
    reading = check["verdict"]["points"][0]["readings"][0]
    assert reading["conformance_probability"] is None  # the card states no uncertainty


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"points": [a_point(20, (0, 19.8))]}, "/points/0/readings/values/0"),
        ({"points": [a_point(20, (19.8, -19.8))]}, "/points/0/readings/values/1"),
        ({"points": [a_point(20, ())]}, "/points/0/readings/values"),
        ({"points": [a_point(20, (19.8,) * 101)]}, "/points/0/readings/values"),
        ({"points": []}, "/points"),
        ({"points": [a_point(120, (119.0,))]}, "/points/0/target"),
        ({"points": [a_point(10, (10.0,))]}, "/points/0/target"),
        ({"points": [a_point(20), a_point(20)]}, "/points/1/target"),
        ({"points": [a_point(20, (14.75, 14.7))]}, "/points/0/readings"),
        ({"performed_at": "2026-05-05T08:10:00Z"}, "/performed_at"),
        ({"performed_at": "2026-05-04T08:10:00"}, "/performed_at"),
        ({"performed_at": "1969-05-04T08:10:00Z"}, "/performed_at"),
        ({"direction": "counter_clockwise"}, "/direction"),
        ({"tester": "TB-9"}, "/tester"),
        ({"tester": None}, "/tester"),
        ({"temperature_c": 215.0}, "/temperature_c"),
        ({"replaces": "no such check"}, "/replaces"),
    ],
)
def test_each_broken_rule_is_pointed_at(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    response = client.post(CHECKS, json=a_check_body(**changes), headers=key())
    found = fields(assert_problem(response, "refused"))
    assert any(each.startswith(field) for each in found), found
    assert client.get(CHECKS).json()["items"] == []


def test_a_tester_past_its_date_on_the_day_is_refused(client: TestClient[Any]) -> None:
    """The tester was due before the check: its readings prove nothing."""
    client.post("/v1/testers", json=a_tester_body(calibrated_on="2025-01-01", due_on="2026-05-03"))
    response = client.post(CHECKS, json=a_check_body(tester="TB-2"), headers=key())
    assert fields(assert_problem(response, "refused")) == ["/tester"]


def test_a_reading_in_the_wrong_unit_may_be_confirmed(client: TestClient[Any]) -> None:
    body = a_check_body(points=[a_point(20, (14.75, 14.7, 14.76))])
    assert_problem(client.post(CHECKS, json=body, headers=key("a")), "refused")
    confirmed = client.post(CHECKS, json=body | {"confirm_unusual": True}, headers=key("b"))
    assert confirmed.status_code == 201


def test_the_same_check_counts_once_and_the_first_is_named(client: TestClient[Any]) -> None:
    first = client.post(CHECKS, json=a_check_body(), headers=key("a")).json()
    again = client.post(CHECKS, json=a_check_body(operator="bench 3"), headers=key("b"))
    problem = assert_problem(again, "duplicate-record")
    assert problem["existing"] == first["id"]
    assert len(client.get(CHECKS).json()["items"]) == 1


def test_a_voided_check_stays_on_record_and_is_replaced(client: TestClient[Any]) -> None:
    wrong = client.post(CHECKS, json=a_check_body(), headers=key("a"))
    place = wrong.headers["location"]
    voided = client.post(f"{place}/void", json={"reason": "read in another unit"})
    assert voided.status_code == 200
    assert voided.json()["void"]["reason"] == "read in another unit"
    assert_problem(client.post(f"{place}/void", json={"reason": "again"}), "already-voided")

    body = a_check_body(replaces=wrong.json()["id"])
    right = client.post(CHECKS, json=body, headers=key("b"))
    assert right.status_code == 201
    counting = client.get(CHECKS).json()["items"]
    assert [check["id"] for check in counting] == [right.json()["id"]]
    everything = client.get(CHECKS, params={"include_voided": "true"}).json()["items"]
    assert {check["id"] for check in everything} == {wrong.json()["id"], right.json()["id"]}


def test_a_check_that_still_counts_is_not_replaced(client: TestClient[Any]) -> None:
    first = client.post(CHECKS, json=a_check_body(), headers=key("a")).json()
    body = a_check_body(performed_at="2026-05-04T09:10:00Z", replaces=first["id"])
    problem = assert_problem(client.post(CHECKS, json=body, headers=key("b")), "refused")
    assert fields(problem) == ["/replaces"]


def test_a_correction_voids_and_replaces_in_one_moment(client: TestClient[Any]) -> None:
    """Of the same moment, and with a lower count than the wrong one had."""
    wrong = client.post(CHECKS, json=a_check_body(cycle_count=9000), headers=key("a")).json()
    body = a_check_body(
        cycle_count=900, replaces=wrong["id"], replaces_because="a nought too many in the count"
    )
    right = client.post(CHECKS, json=body, headers=key("b"))
    assert right.status_code == 201
    again = client.post(CHECKS, json=body, headers=key("b"))
    assert again.json() == right.json()

    place = f"{CHECKS}/{wrong['id']}"
    assert client.get(place).json()["void"]["reason"] == "a nought too many in the count"
    (counting,) = client.get(CHECKS).json()["items"]
    assert counting["id"] == right.json()["id"]
    recorded, voided, *_ = client.get("/v1/wrenches/TW-1/events").json()["items"]
    assert (recorded["kind"], voided["kind"]) == ("check_recorded", "check_voided")
    assert f"(check {counting['id']} takes its place)" in voided["why"]
    assert f"in place of check {wrong['id']}" in recorded["why"]


def test_a_correction_that_is_refused_leaves_the_wrong_check_counting(
    client: TestClient[Any],
) -> None:
    wrong = client.post(CHECKS, json=a_check_body(), headers=key("a")).json()
    other = client.post(
        CHECKS, json=a_check_body(performed_at="2026-05-04T09:10:00Z"), headers=key("b")
    ).json()
    # Of the moment of another check that counts: both cannot.
    body = a_check_body(
        performed_at="2026-05-04T09:10:00Z", replaces=wrong["id"], replaces_because="wrong hour"
    )
    assert_problem(client.post(CHECKS, json=body, headers=key("c")), "duplicate-record")
    counting = {check["id"] for check in client.get(CHECKS).json()["items"]}
    assert counting == {wrong["id"], other["id"]}


def test_a_reason_wants_a_check_that_counts(client: TestClient[Any]) -> None:
    body = a_check_body(replaces_because="wrong tester")
    problem = assert_problem(client.post(CHECKS, json=body, headers=key("a")), "refused")
    assert fields(problem) == ["/replaces_because"]
    wrong = client.post(CHECKS, json=a_check_body(), headers=key("a")).json()
    client.post(f"{CHECKS}/{wrong['id']}/void", json={"reason": "the first reason"})
    body = a_check_body(replaces=wrong["id"], replaces_because="the second reason")
    problem = assert_problem(client.post(CHECKS, json=body, headers=key("b")), "refused")
    assert fields(problem) == ["/replaces_because"]


@pytest.mark.parametrize(
    "path",
    [
        "/v1/wrenches/TW-9/checks",
        "/v1/wrenches/TW-9/checks/no-such-check",
        "/v1/wrenches/TW-1/checks/no-such-check",
        "/v1/wrenches/tw-1/checks",
    ],
)
def test_unknown_wrenches_and_checks_are_not_found(client: TestClient[Any], path: str) -> None:
    assert_problem(client.get(path), "unknown-record")


def test_a_check_of_another_wrench_is_not_found_under_this_one(client: TestClient[Any]) -> None:
    place = client.post(CHECKS, json=a_check_body(), headers=key()).headers["location"]
    other = {"serial": "TW-3", "mechanism": "dial", "indication": "type_i_indicating"}
    other |= {"lowest": torque(1), "full_scale": torque(9), "mpd_clockwise": {"percent": 4}}
    client.post("/v1/wrenches", json=other)
    moved = place.replace("TW-1", "TW-3")
    assert_problem(client.get(moved), "unknown-record")
    assert_problem(client.post(f"{moved}/void", json={"reason": "wrong"}), "unknown-record")


def test_the_verdict_is_null_once_the_tolerance_is_withdrawn(client: TestClient[Any]) -> None:
    place = client.post(CHECKS, json=a_check_body(), headers=key()).headers["location"]
    changed = client.patch(
        "/v1/wrenches/TW-1",
        json={"mpd_clockwise": None, "mpd_counter_clockwise": {"percent": 4}},
        headers={"If-Match": '"v1"'},
    )
    assert changed.status_code == 200
    assert client.get(place).json()["verdict"] is None
