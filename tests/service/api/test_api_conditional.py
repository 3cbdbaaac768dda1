"""Conditional requests: a change wants the version it was based on; an unchanged answer is 304."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import a_policy_body, assert_problem

RESOURCES = ["/v1/wrenches/TW-1", "/v1/testers/TB-1", "/v1/policy"]


def change(client: TestClient[Any], path: str, **headers: str) -> Any:
    if path == "/v1/policy":
        return client.put(path, json=a_policy_body(), headers=headers)
    return client.patch(path, json={"model": "another model"}, headers=headers)


@pytest.mark.parametrize("path", RESOURCES)
def test_a_change_wants_if_match(client: TestClient[Any], path: str) -> None:
    problem = assert_problem(change(client, path), "version-required")
    assert problem["errors"][0]["field"] == "header:If-Match"


@pytest.mark.parametrize("path", RESOURCES)
def test_a_stale_version_changes_nothing(client: TestClient[Any], path: str) -> None:
    tag = client.get(path).headers["etag"]
    changed = change(client, path, **{"If-Match": tag})
    assert changed.status_code == 200
    assert changed.headers["etag"] != tag
    problem = assert_problem(change(client, path, **{"If-Match": tag}), "stale-version")
    assert problem["current_version"] == 2
    assert client.get(path).headers["etag"] == changed.headers["etag"]


@pytest.mark.parametrize("path", RESOURCES)
@pytest.mark.parametrize("tag", ['"other"', 'W/"v1"', '"v0"', '"v01"', '"v99999999999999999999"'])
def test_a_tag_that_no_version_has_matches_none(
    client: TestClient[Any], path: str, tag: str
) -> None:
    """Weak tags never match: RFC 9110, section 13.1.1."""
    assert_problem(change(client, path, **{"If-Match": tag}), "stale-version")


@pytest.mark.parametrize("header", ["*", '"v1"', '"other", "v1"', ' "v1" , W/"x"'])
def test_a_list_that_holds_the_version_matches(client: TestClient[Any], header: str) -> None:
    assert change(client, "/v1/wrenches/TW-1", **{"If-Match": header}).status_code == 200


@pytest.mark.parametrize("header", ["v1", '"v1', "", '"v1" "v2"', '"v1",'])
def test_what_is_not_a_tag_is_told_apart_from_a_stale_one(
    client: TestClient[Any], header: str
) -> None:
    response = change(client, "/v1/wrenches/TW-1", **{"If-Match": header})
    assert assert_problem(response, "invalid-request")["errors"][0]["field"] == "header:If-Match"


@pytest.mark.parametrize("path", RESOURCES)
def test_an_answer_already_held_is_not_sent_again(client: TestClient[Any], path: str) -> None:
    """If-None-Match compares weakly: RFC 9110, section 13.1.2."""
    tag = client.get(path).headers["etag"]
    for header in (tag, f"W/{tag}", f'"x", {tag}', "*"):
        response = client.get(path, headers={"If-None-Match": header})
        assert response.status_code == 304
        assert response.content == b""
        assert response.headers["etag"] == tag
    change(client, path, **{"If-Match": tag})
    assert client.get(path, headers={"If-None-Match": tag}).status_code == 200


def test_the_policy_is_replaced_whole(client: TestClient[Any]) -> None:
    before = client.get("/v1/policy").json()
    assert before["version"] == 1
    assert before["cap_months"] == 12
    put = client.put("/v1/policy", json=a_policy_body(), headers={"If-Match": '"v1"'})
    assert put.json() == a_policy_body() | {"version": 2}
    assert client.get("/v1/policy").json() == put.json()


@pytest.mark.parametrize(
    "changes",
    [
        {"reliability_target": 1},
        {"reliability_target": 0},
        {"tolerated_pull_risk": 0.2},
        {"low_band_below": 0.7},
        {"plan_targets": []},
        {"plan_targets": [0.2, 1.2]},
        {"plan_targets": [0.2, 0.2]},
        {"plan_repeats": 0},
        {"closed_weekdays": [0, 1, 2, 3, 4, 5, 6]},
        {"closed_weekdays": [7]},
        {"closed_weekdays": [5, 5]},
        {"time_zone": "Mars/Base"},
        {"time_zone": "../etc/passwd"},
        {"decision_rule": "lenient"},
        {"cap_months": 12.0},
        {"version": 1},
    ],
)
def test_a_policy_that_cannot_hold_is_refused(
    client: TestClient[Any], changes: dict[str, Any]
) -> None:
    response = client.put("/v1/policy", json=a_policy_body(**changes), headers={"If-Match": '"v1"'})
    assert_problem(response, "invalid-request")
    assert client.get("/v1/policy").json()["version"] == 1


def test_a_policy_lacks_nothing(client: TestClient[Any]) -> None:
    body = a_policy_body()
    del body["floor_days"]
    problem = assert_problem(
        client.put("/v1/policy", json=body, headers={"If-Match": '"v1"'}), "invalid-request"
    )
    assert problem["errors"][0]["field"] == "/floor_days"
