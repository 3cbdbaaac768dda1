"""Quarantine and the trail, as a caller meets them."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_point, assert_problem, fields, key
from sample_records import a_wrench

from service.store import ShopStore

TW = "/v1/wrenches/TW-1"
BAD = [a_point(20, (19.0, 19.1, 19.0))]
GOOD = [a_point(20, (19.8, 19.8, 19.9))]


def record(client: TestClient[Any], name: str, **changes: Any) -> dict[str, Any]:
    response = client.post(
        CHECKS, json=a_check_body(cycle_count=None, **changes), headers=key(name)
    )
    assert response.status_code == 201, response.text
    answer: dict[str, Any] = response.json()
    return answer


def at(hour: int) -> str:
    return f"2026-05-04T{hour:02}:00:00Z"


def test_a_failed_check_takes_out_and_the_check_as_left_brings_back(
    client: TestClient[Any],
) -> None:
    failed = record(client, "a", points=BAD, performed_at=at(8))
    assert failed["verdict"]["passed"] is False
    wrench = client.get(TW).json()
    assert wrench["service"]["status"] == "out_of_service"
    (held,) = wrench["service"]["quarantine"]
    assert (held["direction"], held["check"], held["since"]) == (
        "clockwise",
        failed["id"],
        failed["performed_at"],
    )
    assert "record a check as left clockwise that passes" in held["remedy"]
    record(client, "b", points=GOOD, kind="as_left", performed_at=at(9))
    assert client.get(TW).json()["service"]["status"] == "in_service"


def test_the_release_of_a_wrench_in_quarantine_is_refused_with_the_remedy(
    client: TestClient[Any],
) -> None:
    failed = record(client, "a", points=BAD)
    response = client.patch(
        TW,
        json={"service": {"status": "in_service", "reason": "looks fine"}},
        headers={"If-Match": '"v2"'},
    )
    problem = assert_problem(response, "in-quarantine")
    assert response.status_code == 409
    assert fields(problem) == ["/service/status"]
    assert failed["id"] in problem["errors"][0]["remedy"]
    assert client.get(TW).json()["version"] == 2


def test_a_wrench_in_quarantine_may_be_changed_and_held_otherwise(
    client: TestClient[Any],
) -> None:
    record(client, "a", points=BAD)
    sent = {"drive": "3/8 in", "service": {"status": "out_of_service", "reason": "drive cracked"}}
    changed = client.patch(TW, json=sent, headers={"If-Match": '"v2"'}).json()
    assert changed["drive"] == "3/8 in"
    assert changed["service"]["reason"].startswith("drive cracked; the check of 2026-05-04 found")
    record(client, "b", points=GOOD, kind="as_left", performed_at=at(9))
    after = client.get(TW).json()["service"]
    assert (after["status"], after["reason"]) == ("out_of_service", "drive cracked")


def test_voiding_and_replacing_the_failed_check_lifts_the_quarantine(
    client: TestClient[Any],
) -> None:
    failed = record(client, "a", points=BAD)
    client.post(f"{CHECKS}/{failed['id']}/void", json={"reason": "read the wrong line"})
    assert client.get(TW).json()["service"]["status"] == "in_service"
    record(client, "b", points=GOOD, replaces=failed["id"])
    assert client.get(TW).json()["service"]["status"] == "in_service"


def test_a_repeated_request_is_told_once(client: TestClient[Any]) -> None:
    for _ in range(2):
        record(client, "a", points=BAD)
    told = [event["kind"] for event in client.get(f"{TW}/events").json()["items"]]
    assert told == ["quarantined", "check_recorded"]


def test_an_import_in_any_order_ends_where_the_days_say(client: TestClient[Any]) -> None:
    def row(day: int, kind: str, reading: float) -> str:
        return f"TW-1,{kind},clockwise,2026-04-{day:02}T08:00:00Z,TB-1,,,,20,{reading},,N.m,,,\n"

    header = (
        "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,"
        "reading,indicated,unit,card_issuer,card_certificate,card_issued_on\n"
    )
    rows = [row(3, "as_left", 19.8), row(2, "as_found", 19.0), row(9, "as_found", 19.7)]
    response = client.post(
        "/v1/checks/import",
        content=header + "".join(rows),
        headers={"Content-Type": "text/csv", "Acting-Person": "office"} | key(),
    )
    assert response.status_code == 200, response.text
    assert client.get(TW).json()["service"]["status"] == "in_service"
    events = client.get(f"{TW}/events").json()["items"]
    assert {(event["kind"], event["person"]) for event in events} == {("check_recorded", "office")}


def test_who_did_it_is_who_says_so_else_the_operator(client: TestClient[Any]) -> None:
    headers = {"Acting-Person": "J%C3%BCrgen B."} | key("a")
    client.post(CHECKS, json=a_check_body(), headers=headers)
    record(client, "b", performed_at=at(9), operator="bench 1")
    client.patch(
        TW,
        json={"model": "other"},
        headers={"If-Match": "*", "Acting-Person": "lead"},
    )
    events = client.get(f"{TW}/events").json()["items"]
    assert [event["person"] for event in events] == ["lead", "bench 1", "Jürgen B."]
    assert events[0]["in_words"] == (
        "2026-05-04 12:00 UTC, lead: the record of TW-1 was changed: model from click wrench to "
        "other."
    )


@pytest.mark.parametrize("name", ["%00", "%FF", "%20"])
def test_a_person_whose_name_cannot_be_read_is_refused(client: TestClient[Any], name: str) -> None:
    response = client.patch(TW, json={}, headers={"If-Match": "*", "Acting-Person": name})
    assert fields(assert_problem(response, "invalid-request")) == ["header:Acting-Person"]


def test_events_come_page_by_page(client: TestClient[Any]) -> None:
    for hour in (8, 9, 10):
        record(client, str(hour), performed_at=at(hour))
    seen, cursor = [], {}
    while True:
        page = client.get(f"{TW}/events", params={"limit": "2"} | cursor).json()
        seen += [event["number"] for event in page["items"]]
        if page["next_cursor"] is None:
            break
        cursor = {"cursor": page["next_cursor"]}
    assert seen == sorted(seen, reverse=True)
    assert len(seen) == 3


@pytest.mark.parametrize("cursor", ["ZXZlbnRzOng", "Y2hlY2tzOjE"])  # events:x, checks:1
def test_a_cursor_that_the_trail_never_gave_is_refused(
    client: TestClient[Any], cursor: str
) -> None:
    response = client.get(f"{TW}/events", params={"cursor": cursor})
    assert fields(assert_problem(response, "invalid-request")) == ["query:cursor"]


def test_the_trail_of_a_stranger_is_not_found(client: TestClient[Any]) -> None:
    assert_problem(client.get("/v1/wrenches/TW-9/events"), "unknown-record")


def test_a_wrench_in_quarantine_is_not_fit_and_says_why(
    client: TestClient[Any], shops: Any
) -> None:
    record(client, "a", points=BAD)
    answer = client.get(f"{TW}/risk", params={"torque": "50", "unit": "N.m"}).json()
    (found,) = answer["directions"]
    assert found["fitness"] == "not_fit"
    grounds = [reason["ground"] for reason in found["reasons"]]
    assert grounds[:2] == ["out_of_service", "found_out_of_tolerance"]


def test_care_stands_with_the_wrench_and_not_in_lists(client: TestClient[Any], shops: Any) -> None:
    records: ShopStore
    with shops.store.write(shops.key) as records:
        records.wrenches.add(a_wrench("TW-2"))
    care = client.get(TW).json()["care"]
    assert any("lowest mark" in each["do"] for each in care)
    assert all("common practice, no source" in each["source"] for each in care)
    assert all("care" not in each for each in client.get("/v1/wrenches").json()["items"])
