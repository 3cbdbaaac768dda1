"""The pages of the bench: which wrench, its sheet, and the verdict in words."""

import re
from typing import Any

from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_point, a_wrench_body, key, torque


def words(text: str) -> str:
    """What a page says, without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def recorded(client: TestClient[Any], **changes: Any) -> str:
    sent = client.post(CHECKS, json=a_check_body(**changes), headers=key())
    assert sent.status_code == 201, sent.text
    return f"/bench/checks/TW-1/{sent.json()['id']}"


def test_the_scanner_finds_its_field(client: TestClient[Any]) -> None:
    page = client.get("/bench").text
    assert re.search(r'<input id="scan" name="wrench"[^>]* autofocus>', page)
    assert re.search(r'<form class="scan" action="/bench" method="get">', page)


def test_a_scan_in_other_letters_finds_the_wrench(client: TestClient[Any]) -> None:
    assert "TW-1 on the bench" in client.get("/bench", params={"wrench": " tw-1 "}).text


def test_two_wrenches_that_differ_in_case_are_told_apart(client: TestClient[Any]) -> None:
    made = client.post("/v1/wrenches", json=a_wrench_body(serial="tw-1"), headers=key())
    assert made.status_code == 201
    assert "tw-1 on the bench" in client.get("/bench", params={"wrench": "tw-1"}).text
    assert client.get("/bench", params={"wrench": "Tw-1"}).status_code == 404


def test_an_unknown_serial_is_said_with_what_is_like_it(client: TestClient[Any]) -> None:
    page = client.get("/bench", params={"wrench": "TVV-1"})
    assert page.status_code == 404
    assert "There is no TVV-1 here" in page.text
    assert 'href="/bench?wrench=TW-1"' in page.text


def test_the_sheet_shows_plan_scale_and_limit(client: TestClient[Any]) -> None:
    page = client.get("/bench?wrench=TW-1").text
    assert len(re.findall(r'<input id="r\d-\d"', page)) == 15
    said = words(page)
    assert "Its scale N·m" in said
    assert "20 to 100 N·m" in said
    assert "±4 % of the reading" in said
    assert "inside from 19.23 to 20.83" in said


def test_a_direction_without_tolerance_is_not_offered(client: TestClient[Any]) -> None:
    page = client.get("/bench?wrench=TW-1&direction=counter_clockwise").text
    assert 'data-direction="clockwise"' in page
    assert "Counter-clockwise" not in page


def test_a_check_that_passed_is_told_so(client: TestClient[Any]) -> None:
    said = words(client.get(recorded(client)).text)
    assert "Passed TW-1 clockwise: all 9 readings are inside the limit." in said
    assert "delivers less than it says: deviation 0.93 % of reading" in said
    assert "This is not an accredited calibration" in said


def test_a_check_that_failed_says_what_to_do(client: TestClient[Any]) -> None:
    page = client.get(recorded(client, points=[a_point(20, (18.9, 18.95, 18.92))])).text
    said = words(page)
    assert "Failed TW-1 clockwise: 3 of 3 readings are outside the limit." in said
    assert "Put the wrench aside" in said
    assert 'href="/bench?wrench=TW-1&amp;direction=clockwise&amp;kind=as_left"' in page
    assert "stays out of use until it has been adjusted" in said


def test_odd_readings_are_to_be_measured_again_first(client: TestClient[Any]) -> None:
    page = client.get(recorded(client, points=[a_point(100, (98, 102, 97.5, 102.5, 98.2))])).text
    said = words(page)
    assert said.index("Measure again before you act on this") < said.index("What the readings say")
    assert "100 N·m: the 5 readings scatter by" in said


def test_times_are_the_shops(client: TestClient[Any]) -> None:
    policy = client.get("/v1/policy")
    body = {name: value for name, value in policy.json().items() if name != "version"}
    changed = client.put(
        "/v1/policy",
        json=body | {"time_zone": "Pacific/Auckland"},
        headers={"If-Match": policy.headers["etag"]},
    )
    assert changed.status_code == 200
    # NOW is noon UTC on 4 May; the check was taken at 08:10 UTC, 20:10 in Auckland.
    page = client.get(recorded(client)).text
    assert "2026-05-05 00:00, Pacific/Auckland" in page
    assert "2026-05-04 20:10 (Pacific/Auckland)" in page


def test_a_check_that_is_not_there_is_a_page_too(client: TestClient[Any]) -> None:
    page = client.get("/bench/checks/TW-1/none")
    assert page.status_code == 404
    assert "There is no TW-1, check none here" in page.text


def test_a_reading_in_the_scales_own_unit(client: TestClient[Any]) -> None:
    body = a_wrench_body(lowest=torque(30, "ft.lbf"), full_scale=torque(150, "ft.lbf"))
    assert client.post("/v1/wrenches", json=body, headers=key()).status_code == 201
    said = words(client.get("/bench?wrench=TW-2").text)
    assert "Its scale ft·lbf" in said
    assert "TB-1 cannot be used: it measures 10 to 200 N·m, which leaves out 150 ft·lbf." in said
    assert "No tester may be used for this check." in said
