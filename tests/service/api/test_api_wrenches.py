"""Wrenches and testers over HTTP: registering, changing, taking out of service, paging."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import (
    CHECKS,
    a_check_body,
    a_tester_body,
    a_wrench_body,
    assert_problem,
    fields,
    key,
    torque,
)


def test_a_registered_wrench_reads_back(client: TestClient[Any]) -> None:
    registered = client.post("/v1/wrenches", json=a_wrench_body(drive="1/2 in"))
    assert registered.status_code == 201
    assert registered.headers["location"] == "/v1/wrenches/TW-2"
    wrench = client.get("/v1/wrenches/TW-2").json()
    assert wrench == registered.json()
    assert wrench["mpd_clockwise"] == {"percent": 4.0, "basis": "reading"}
    assert wrench["mpd_counter_clockwise"] is None
    assert wrench["service"] == {
        "status": "in_service",
        "reason": None,
        "since": None,
        "quarantine": [],
    }
    assert wrench["version"] == 1


@pytest.mark.parametrize("serial", ["TW 3", "TW+3", "TW~3:a.b_c"])
def test_a_serial_with_signs_has_a_location_that_works(
    client: TestClient[Any], serial: str
) -> None:
    location = client.post("/v1/wrenches", json=a_wrench_body(serial=serial)).headers["location"]
    assert client.get(location).json()["serial"] == serial


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"lowest": torque(200)}, "/lowest"),
        ({"lowest": torque(40, "kgf.m")}, "/lowest"),
        ({"mpd_clockwise": None}, "/mpd_clockwise"),
        ({"resolution": torque(200)}, "/resolution"),
    ],
)
def test_a_wrench_that_cannot_be_judged_is_refused(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    response = client.post("/v1/wrenches", json=a_wrench_body(**changes))
    assert fields(assert_problem(response, "refused")) == [field]


def test_a_serial_is_registered_once(client: TestClient[Any]) -> None:
    response = client.post("/v1/wrenches", json=a_wrench_body(serial="TW-1"))
    assert assert_problem(response, "duplicate-record")["existing"] == "TW-1"


def test_a_wrench_is_taken_out_of_service_and_released(client: TestClient[Any]) -> None:
    out = client.patch(
        "/v1/wrenches/TW-1",
        json={"service": {"status": "out_of_service", "reason": "fell from the lift"}},
        headers={"If-Match": '"v1"'},
    ).json()
    assert out["service"] == {
        "status": "out_of_service",
        "reason": "fell from the lift",
        "since": "2026-05-04T12:00:00Z",
        "quarantine": [],
    }
    for status, serials in (("out_of_service", ["TW-1"]), ("in_service", [])):
        found = client.get("/v1/wrenches", params={"status": status}).json()["items"]
        assert [wrench["serial"] for wrench in found] == serials
    back = client.patch(
        "/v1/wrenches/TW-1",
        json={"service": {"status": "in_service", "reason": "adjusted, checked, released"}},
        headers={"If-Match": '"v2"'},
    ).json()
    assert back["service"]["status"] == "in_service"
    assert back["version"] == 3


@pytest.mark.parametrize(
    "service",
    [
        None,
        {},
        {"status": "out_of_service"},
        {"status": "out_of_service", "reason": ""},
        {"status": "lost", "reason": "who knows"},
    ],
)
def test_a_change_of_service_wants_a_status_and_a_reason(
    client: TestClient[Any], service: Any
) -> None:
    response = client.patch(
        "/v1/wrenches/TW-1", json={"service": service}, headers={"If-Match": '"v1"'}
    )
    found = fields(assert_problem(response, "invalid-request"))
    assert all(field.startswith("/service") for field in found)


def test_what_a_change_leaves_out_stays_and_null_clears(client: TestClient[Any]) -> None:
    before = client.get("/v1/wrenches/TW-1").json()
    after = client.patch(
        "/v1/wrenches/TW-1",
        json={"model": None, "resolution": None, "mpd_counter_clockwise": {"percent": 6}},
        headers={"If-Match": '"v1"'},
    ).json()
    assert after["model"] is None
    assert after["resolution"] is None
    assert after["mpd_counter_clockwise"]["percent"] == 6
    for name in ("mechanism", "lowest", "full_scale", "mpd_clockwise", "drive", "registered_at"):
        assert after[name] == before[name]


@pytest.mark.parametrize("body", [{"serial": "TW-9"}, {"lowest": None}, {"mechanism": None}])
def test_a_change_cannot_do_everything(client: TestClient[Any], body: dict[str, Any]) -> None:
    response = client.patch("/v1/wrenches/TW-1", json=body, headers={"If-Match": '"v1"'})
    assert fields(assert_problem(response, "invalid-request")) == [f"/{next(iter(body))}"]


def test_a_change_keeps_to_the_rules_of_registering(client: TestClient[Any]) -> None:
    response = client.patch(
        "/v1/wrenches/TW-1", json={"lowest": torque(100)}, headers={"If-Match": '"v1"'}
    )
    assert fields(assert_problem(response, "refused")) == ["/lowest"]
    assert client.get("/v1/wrenches/TW-1").json()["version"] == 1


def test_a_tester_is_registered_and_gets_its_new_certificate(client: TestClient[Any]) -> None:
    assert client.post("/v1/testers", json=a_tester_body()).status_code == 201
    changed = client.patch(
        "/v1/testers/TB-2",
        json={
            "certificate": "C-26-044",
            "calibrated_on": "2026-05-01",
            "due_on": "2027-05-01",
            "expanded_uncertainty_pct": 0.4,
        },
        headers={"If-Match": '"v1"'},
    ).json()
    assert changed["certificate"] == "C-26-044"
    assert changed["coverage_factor"] == 2
    assert client.get("/v1/testers/TB-2").json() == changed


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"lowest": torque(500)}, "/lowest"),
        ({"due_on": "2026-02-01"}, "/due_on"),
        ({"calibrated_on": "2026-05-05", "due_on": "2027-05-05"}, "/calibrated_on"),
    ],
)
def test_a_certificate_that_makes_no_sense_is_refused(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    response = client.post("/v1/testers", json=a_tester_body(**changes))
    assert fields(assert_problem(response, "refused")) == [field]


@pytest.mark.parametrize(
    "changes",
    [
        {"expanded_uncertainty_pct": 0},
        {"coverage_factor": 0.5},
        {"calibrated_on": "01.02.2026"},
        {"due_on": 20000},
        {"certificate": ""},
    ],
)
def test_a_certificate_has_a_form(client: TestClient[Any], changes: dict[str, Any]) -> None:
    response = client.post("/v1/testers", json=a_tester_body(**changes))
    assert fields(assert_problem(response, "invalid-request")) == [f"/{next(iter(changes))}"]


def test_pages_follow_one_another_without_a_gap(client: TestClient[Any]) -> None:
    serials = [f"TX-{number:02}" for number in range(7)]
    for serial in serials:
        client.post("/v1/wrenches", json=a_wrench_body(serial=serial))
    seen: list[str] = []
    cursor: str | None = None
    for _ in range(4):
        params = {"limit": "3"} | ({"cursor": cursor} if cursor else {})
        page = client.get("/v1/wrenches", params=params).json()
        seen += [wrench["serial"] for wrench in page["items"]]
        # A wrench that comes in front of the page is not seen, and moves nothing.
        client.post("/v1/wrenches", json=a_wrench_body(serial=f"AA-{len(seen)}"))
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert seen == ["TW-1", *serials]


def test_checks_are_paged_newest_first(client: TestClient[Any]) -> None:
    for minute in range(5):
        body = a_check_body(performed_at=f"2026-05-04T08:{minute:02}:00Z")
        client.post(CHECKS, json=body, headers=key(f"k{minute}"))
    first = client.get(CHECKS, params={"limit": 3}).json()
    second = client.get(CHECKS, params={"limit": 3, "cursor": first["next_cursor"]}).json()
    minutes = [check["performed_at"][14:16] for check in first["items"] + second["items"]]
    assert minutes == ["04", "03", "02", "01", "00"]
    assert second["next_cursor"] is None


@pytest.mark.parametrize("path", ["/v1/wrenches", "/v1/testers", CHECKS])
@pytest.mark.parametrize("cursor", ["AAAA", "x", "not a cursor", "d3JlbmNoZXM", "%"])
def test_only_a_cursor_of_this_list_is_a_cursor(
    client: TestClient[Any], path: str, cursor: str
) -> None:
    problem = assert_problem(client.get(path, params={"cursor": cursor}), "invalid-request")
    assert fields(problem) == ["query:cursor"]


@pytest.mark.parametrize(
    "params",
    [{"limit": "0"}, {"limit": "201"}, {"limit": "ten"}, {"limit": ""}, {"status": "lost"}],
)
def test_parameters_have_their_bounds(client: TestClient[Any], params: dict[str, str]) -> None:
    problem = assert_problem(client.get("/v1/wrenches", params=params), "invalid-request")
    assert fields(problem) == [f"query:{next(iter(params))}"]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("limt=3", "query:limt"),
        ("limit=3&limit=4", "query:limit"),
        ("status=null", "query:status"),
        ("status=in_service&status=in_service", "query:status"),
    ],
)
def test_a_query_that_cannot_be_meant_is_refused(
    client: TestClient[Any], query: str, field: str
) -> None:
    """A misspelt parameter must not be passed over: the answer would be to another question."""
    problem = assert_problem(client.get(f"/v1/wrenches?{query}"), "invalid-request")
    assert fields(problem) == [field]
