"""The card's statements over the wire, and the judgment on taking a wrench into use."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_point, assert_problem, fields, key, torque

TW = "/v1/wrenches/TW-1"
CARD: dict[str, Any] = {
    "issuer": "bench of the maker",
    "certificate": "W-77",
    "issued_on": "2026-05-01",
    "expanded_uncertainty_pct": 0.6,
    "coverage_factor": 2,
    "serial": "TW-1",
    "model": "click wrench",
    "edition": "2017",
    "mpd": {"percent": 4, "basis": "reading"},
}
FIVE = [a_point(target, (target - 0.1,) * 5) for target in (20, 60, 100)]


def enter(client: TestClient[Any], name: str = "card", **changes: Any) -> Any:
    body = a_check_body(
        kind="verification",
        tester=None,
        operator=None,
        cycle_count=None,
        performed_at="2026-05-01T08:00:00Z",
        card=CARD,
        points=FIVE,
    )
    del body["tester"], body["operator"]
    response = client.post(CHECKS, json=body | changes, headers=key(name))
    assert response.status_code == 201, response.text
    return response.json()


def judged(client: TestClient[Any], **query: str) -> Any:
    (found,) = client.get(f"{TW}/acceptance", params=query).json()["directions"]
    return found


def test_a_card_comes_back_with_all_that_it_states(client: TestClient[Any]) -> None:
    check = enter(client)
    assert check["card"] == CARD | {"coverage_factor": 2.0}
    assert client.get(f"{CHECKS}/{check['id']}").json()["card"] == check["card"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"edition": "1992"}, "/card/edition"),
        ({"mpd": {"percent": 0}}, "/card/mpd/percent"),
        ({"serial": ""}, "/card/serial"),
    ],
)
def test_a_statement_of_no_form_is_refused(
    client: TestClient[Any], change: dict[str, Any], field: str
) -> None:
    body = a_check_body(card=CARD | change)
    response = client.post(CHECKS, json=body, headers=key())
    assert fields(assert_problem(response, "invalid-request")) == [field]


def test_from_nothing_to_accepted(client: TestClient[Any]) -> None:
    assert judged(client)["verdict"] == "not_accepted"
    bare = {name: CARD[name] for name in ("issuer", "certificate", "issued_on")}
    enter(client, card=bare)
    found = judged(client)
    assert found["verdict"] == "accepted_until_first_own_check"
    assert found["in_words"].startswith(
        "TW-1 clockwise: accepted until its first own check, on the card W-77 of 2026-05-01, but "
        "the card does not state the wrench's serial"
    )
    assert client.post(CHECKS, json=a_check_body(points=FIVE), headers=key("own")).is_success
    found = judged(client)
    assert found["verdict"] == "accepted"
    assert found["in_words"] == ("TW-1 clockwise: accepted, on the shop's own check of 2026-05-04.")
    assert found["card"]["certificate"] == "W-77"


def risk(client: TestClient[Any]) -> Any:
    (found,) = client.get(f"{TW}/risk", params={"torque": "50", "unit": "N.m"}).json()["directions"]
    return found


def grounds(found: Any) -> set[str]:
    return {reason["ground"] for reason in found["reasons"]}


def test_a_wrench_with_the_card_of_another_is_never_fit(client: TestClient[Any]) -> None:
    enter(client, card=CARD | {"serial": "TW-8"})
    assert judged(client)["verdict"] == "not_accepted"
    found = risk(client)
    assert found["fitness"] == "not_fit"
    assert "not_accepted" in grounds(found)


def test_acceptance_until_the_first_own_check_is_a_caution(client: TestClient[Any]) -> None:
    enter(client, card=CARD | {"mpd": None})
    found = risk(client)
    assert found["fitness"] == "fit_with_caution"
    assert {"accepted_until_first_own_check", "card_only"} <= grounds(found)


def test_a_complete_card_adds_no_ground(client: TestClient[Any]) -> None:
    enter(client)
    assert not grounds(risk(client)) & {"accepted_until_first_own_check", "not_accepted"}


def test_a_wrench_found_out_is_not_accepted(client: TestClient[Any]) -> None:
    client.post(CHECKS, json=a_check_body(points=[a_point(20, (19,))]), headers=key())
    found = judged(client)
    assert found["verdict"] == "not_accepted"
    assert "found it out of tolerance" in found["because"]


def test_it_is_answered_for_the_evidence_of_an_instant(client: TestClient[Any]) -> None:
    enter(client)
    assert judged(client, as_of="2026-04-30T00:00:00Z")["verdict"] == "not_accepted"


def test_a_direction_without_a_tolerance_has_nothing_to_be_judged_by(
    client: TestClient[Any],
) -> None:
    found = judged(client, direction="counter_clockwise")
    assert found["status"] == "no_stated_performance"


def test_the_answer_holds_until_something_it_rests_on_changes(client: TestClient[Any]) -> None:
    enter(client)
    client.post(CHECKS, json=a_check_body(points=FIVE), headers=key("own")).raise_for_status()

    def tag() -> str:
        return str(client.get(f"{TW}/acceptance").headers["etag"])

    held = tag()
    response = client.get(f"{TW}/acceptance", headers={"If-None-Match": held})
    assert response.status_code == 304
    # The tester's certificate is part of the evidence.
    client.patch(
        "/v1/testers/TB-1", json={"expanded_uncertainty_pct": 3.0}, headers={"If-Match": "*"}
    ).raise_for_status()
    assert tag() != held
    assert judged(client)["verdict"] == "accepted"  # the card still stands alone


def test_own_checks_by_a_poor_tester_do_not_do(client: TestClient[Any]) -> None:
    client.patch(
        "/v1/testers/TB-1", json={"expanded_uncertainty_pct": 3.0}, headers={"If-Match": "*"}
    ).raise_for_status()
    client.post(CHECKS, json=a_check_body(points=FIVE), headers=key()).raise_for_status()
    found = judged(client)
    assert found["verdict"] == "accepted_until_first_own_check"
    assert "uncertainty is 3 % of reading" in found["because"]


def test_a_wrench_in_other_units_is_judged_alike(client: TestClient[Any]) -> None:
    body = {
        "serial": "FT-1",
        "mechanism": "spring",
        "indication": "type_ii_setting",
        "lowest": torque(20, "ft.lbf"),
        "full_scale": torque(100, "ft.lbf"),
        "mpd_clockwise": {"percent": 4},
    }
    client.post("/v1/wrenches", json=body).raise_for_status()
    points = [
        {
            "target": torque(target, "ft.lbf"),
            "readings": {"values": [target - 0.1] * 5, "unit": "ft.lbf"},
        }
        for target in (20, 60, 100)
    ]
    check = a_check_body(points=points)
    client.post("/v1/wrenches/FT-1/checks", json=check, headers=key()).raise_for_status()
    (found,) = client.get("/v1/wrenches/FT-1/acceptance").json()["directions"]
    assert found["verdict"] == "accepted"
