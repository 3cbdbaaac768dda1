"""What the service does not take for a body, though a lenient reader would."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_point, a_wrench_body, assert_problem, fields, key

JSON = {"Content-Type": "application/json", **key()}


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"nothing",
        b'{"serial": NaN}',
        b'{"serial": Infinity}',
        b'{"serial": -Infinity}',
        b'\xff\xfe{\x00"\x00',
        '{"serial": "é"}'.encode("latin-1"),
        b'\xef\xbb\xbf{"serial": "TW-2"}',
        b'{"serial": "\\ud800"}',
        b"[" * 100_000,
        b'{"a":' * 10_000,
        b'{"serial": "TW-2"} {}',
    ],
)
def test_what_is_not_json_is_malformed(client: TestClient[Any], body: bytes) -> None:
    assert_problem(client.post("/v1/wrenches", content=body, headers=JSON), "malformed-body")


@pytest.mark.parametrize(
    "body",
    [
        b'{"serial": "TW-2", "serial": "TW-3"}',
        b'{"lowest": {"value": 1, "value": 2, "unit": "N.m"}}',
        b'{"serial": "TW-2", "seri\\u0061l": "TW-3"}',
    ],
)
def test_a_key_that_occurs_twice_is_malformed(client: TestClient[Any], body: bytes) -> None:
    problem = assert_problem(
        client.post("/v1/wrenches", content=body, headers=JSON), "malformed-body"
    )
    assert "twice" in problem["detail"]


@pytest.mark.parametrize(
    "media_type",
    [
        "text/plain",
        "application/xml",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "application/json; charset=latin-1",
        "application/jsonx",
        "",
    ],
)
def test_another_media_type_is_refused(client: TestClient[Any], media_type: str) -> None:
    response = client.post("/v1/wrenches", content=b"{}", headers={"Content-Type": media_type})
    assert_problem(response, "unsupported-media-type")
    assert response.headers["accept"] == "application/json"


def test_json_in_utf_8_may_say_so(client: TestClient[Any]) -> None:
    response = client.patch(
        "/v1/wrenches/TW-1",
        content=b"{}",
        headers={"Content-Type": "application/json; charset=UTF-8", "If-Match": '"v1"'},
    )
    assert response.status_code == 200


def test_a_huge_body_is_refused_before_it_is_read(client: TestClient[Any]) -> None:
    body = b'{"serial": "' + b"T" * 300_000 + b'"}'
    assert_problem(client.post("/v1/wrenches", content=body, headers=JSON), "body-too-large")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"serial": None}, "/serial"),
        ({"serial": ""}, "/serial"),
        ({"serial": " TW-2"}, "/serial"),
        ({"serial": "TW/2"}, "/serial"),
        ({"serial": "T" * 65}, "/serial"),
        ({"serial": 5}, "/serial"),
        ({"model": "a\nb"}, "/model"),
        ({"model": "   "}, "/model"),
        ({"model": "\x00"}, "/model"),
        ({"mechanism": "magic"}, "/mechanism"),
        ({"lowest": 40}, "/lowest"),
        ({"lowest": {"value": 40}}, "/lowest/unit"),
        ({"lowest": {"value": True, "unit": "N.m"}}, "/lowest/value"),
        ({"lowest": {"value": "40", "unit": "N.m"}}, "/lowest/value"),
        ({"lowest": {"value": 0, "unit": "N.m"}}, "/lowest/value"),
        ({"lowest": {"value": -4, "unit": "N.m"}}, "/lowest/value"),
        ({"lowest": {"value": 1e9, "unit": "N.m"}}, "/lowest/value"),
        ({"lowest": {"value": 40, "unit": "J"}}, "/lowest/unit"),
        ({"lowest": {"value": 40, "unit": "kg"}}, "/lowest/unit"),
        ({"lowest": {"value": 40, "unit": "N.m", "note": ""}}, "/lowest/note"),
        ({"mpd_clockwise": {"percent": 0}}, "/mpd_clockwise/percent"),
        ({"mpd_clockwise": {"percent": 4, "basis": "setting"}}, "/mpd_clockwise/basis"),
        ({"colour": "red"}, "/colour"),
        ({"a/b~c": 1}, "/a~1b~0c"),
    ],
)
def test_each_fault_of_form_is_pointed_at(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    problem = assert_problem(
        client.post("/v1/wrenches", json=a_wrench_body(**changes)), "invalid-request"
    )
    assert fields(problem) == [field]


def test_a_number_too_large_to_hold_is_refused(client: TestClient[Any]) -> None:
    body = b'{"serial":"TW-2","lowest":{"value":1e400,"unit":"N.m"}}'
    problem = assert_problem(
        client.post("/v1/wrenches", content=body, headers=JSON), "invalid-request"
    )
    assert "/lowest/value" in fields(problem)


def test_every_fault_is_told_at_once(client: TestClient[Any]) -> None:
    body = a_wrench_body(serial="", mechanism="magic", drive=3)
    problem = assert_problem(client.post("/v1/wrenches", json=body), "invalid-request")
    assert sorted(fields(problem)) == ["/drive", "/mechanism", "/serial"]


def test_a_unit_that_is_not_a_torque_is_told_with_those_that_are(client: TestClient[Any]) -> None:
    body = a_check_body(points=[a_point() | {"target": {"value": 20, "unit": "J"}}])
    problem = assert_problem(client.post(CHECKS, json=body, headers=key()), "invalid-request")
    assert fields(problem) == ["/points/0/target/unit"]
    assert "N.m" in problem["errors"][0]["remedy"]


@pytest.mark.parametrize("spelling", ["Nm", "N·m", "nm", "ft-lb", "lbf.ft", "in-lb", "kgf.m"])
def test_usual_spellings_of_units_are_understood(client: TestClient[Any], spelling: str) -> None:
    body = a_wrench_body(
        lowest={"value": 1, "unit": spelling}, full_scale={"value": 9, "unit": spelling}
    )
    assert client.post("/v1/wrenches", json=body).status_code == 201


@pytest.mark.parametrize(
    "moment",
    [
        "2026-05-04",
        "1714810200",
        1714810200,
        "2026-05-04 08:10:00Z",
        "2026-05-04T08:10Z",
        "2026-05-04T25:10:00Z",
        "2026-02-30T08:10:00Z",
        "2026-05-04T08:10:00+25:00",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "yesterday",
        None,
    ],
)
def test_only_an_rfc_3339_date_time_is_a_date_time(client: TestClient[Any], moment: Any) -> None:
    response = client.post(CHECKS, json=a_check_body(performed_at=moment), headers=key())
    assert fields(assert_problem(response, "invalid-request")) == ["/performed_at"]


@pytest.mark.parametrize(
    "moment", ["2026-05-04t08:10:00z", "2026-05-04T10:10:00.000+02:00", "2026-05-04T08:10:00.0Z"]
)
def test_every_spelling_of_one_instant_is_the_same(client: TestClient[Any], moment: str) -> None:
    response = client.post(CHECKS, json=a_check_body(performed_at=moment), headers=key())
    assert response.json()["performed_at"] == "2026-05-04T08:10:00Z"


@pytest.mark.parametrize("value", [True, "1", 1.5, -1, 2**70])
def test_a_count_is_a_whole_number(client: TestClient[Any], value: Any) -> None:
    response = client.post(CHECKS, json=a_check_body(cycle_count=value), headers=key())
    assert response.status_code == 422
    assert fields(response.json()) == ["/cycle_count"]
