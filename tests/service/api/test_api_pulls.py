"""Recorded work over HTTP: kept and flagged, counted once, paged, voided."""

from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import assert_problem, fields, key, torque

PULLS = "/v1/wrenches/TW-1/pulls"


def a_pull_body(**changes: Any) -> dict[str, Any]:
    return {
        "job": "W-1042",
        "torque": torque(60),
        "direction": "clockwise",
        "performed_at": "2026-05-02T10:20:00+02:00",
        "count": 5,
    } | changes


def sent(*pulls: dict[str, Any]) -> dict[str, Any]:
    return {"pulls": list(pulls)}


def test_work_is_recorded_and_read_back(client: TestClient[Any]) -> None:
    answer = client.post(PULLS, json=sent(a_pull_body(), a_pull_body(job="W-1")), headers=key())
    assert answer.status_code == 200
    body = answer.json()
    assert body["in_words"] == "10 pulls of 2 jobs recorded for TW-1."
    first = body["stored"][0]
    assert first["performed_at"] == "2026-05-02T08:20:00Z"
    assert first["flags"] == []
    assert client.get(f"{PULLS}/{first['id']}").json() == first


def test_the_same_list_sent_twice_counts_once(client: TestClient[Any]) -> None:
    """Under another key, so that nothing is merely replayed."""
    once = client.post(PULLS, json=sent(a_pull_body()), headers=key("a")).json()
    again = client.post(PULLS, json=sent(a_pull_body()), headers=key("b")).json()
    assert again["stored"] == []
    assert again["already_there"] == [once["stored"][0]["id"]]
    assert again["in_words"] == "0 pulls of 0 jobs recorded for TW-1; 1 record was there already."
    assert len(client.get(PULLS).json()["items"]) == 1


def test_pulls_alike_in_one_list_need_a_count_or_ids(client: TestClient[Any]) -> None:
    twice = client.post(PULLS, json=sent(a_pull_body(), a_pull_body()), headers=key("a"))
    problem = assert_problem(twice, "refused")
    assert fields(problem) == ["/pulls/1/performed_at"]
    assert "count" in problem["errors"][0]["remedy"]
    apart = sent(a_pull_body(client_id="1"), a_pull_body(client_id="2"))
    assert len(client.post(PULLS, json=apart, headers=key("b")).json()["stored"]) == 2


def test_a_stored_pull_that_says_something_else_is_refused(client: TestClient[Any]) -> None:
    client.post(PULLS, json=sent(a_pull_body()), headers=key("a"))
    other = client.post(PULLS, json=sent(a_pull_body(count=4)), headers=key("b"))
    assert "void it with the reason" in assert_problem(other, "refused")["errors"][0]["remedy"]


@pytest.mark.parametrize(
    ("changes", "flag"),
    [
        ({"torque": torque(15)}, "outside_marked_range"),
        ({"torque": torque(101)}, "outside_marked_range"),
        ({"direction": "counter_clockwise"}, "no_stated_tolerance"),
    ],
)
def test_odd_work_is_kept_and_flagged(
    client: TestClient[Any], changes: dict[str, Any], flag: str
) -> None:
    """TW-1 is marked from 20 to 100 N·m and has a tolerance clockwise alone."""
    body = client.post(PULLS, json=sent(a_pull_body(**changes)), headers=key()).json()
    assert body["stored"][0]["flags"] == [flag]
    assert len(body["cautions"]) == 3


def test_work_with_a_wrench_out_of_service_is_kept_and_flagged(client: TestClient[Any]) -> None:
    out = {"service": {"status": "out_of_service", "reason": "fell from the lift"}}
    client.patch("/v1/wrenches/TW-1", json=out, headers={"If-Match": "*"})
    late = a_pull_body(performed_at="2026-05-04T12:00:00Z")
    body = client.post(PULLS, json=sent(late, a_pull_body()), headers=key()).json()
    assert [pull["flags"] for pull in body["stored"]] == [["out_of_service"], []]
    assert "out of service" in body["cautions"][0]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"performed_at": "2026-05-02T10:20:00"}, "performed_at"),
        ({"performed_at": "2026-05-04T13:00:00Z"}, "performed_at"),
        ({"performed_at": "1969-05-04T13:00:00Z"}, "performed_at"),
        ({"torque": torque(-20)}, "torque/value"),
        ({"count": 0}, "count"),
        ({"angle_deg": 0}, "angle_deg"),
    ],
)
def test_what_cannot_have_happened_is_refused_with_its_place(
    client: TestClient[Any], changes: dict[str, Any], field: str
) -> None:
    body = sent(a_pull_body(job="W-1"), a_pull_body(**changes))
    answer = client.post(PULLS, json=body, headers=key())
    problem = assert_problem(answer, "refused")
    assert fields(problem) == [f"/pulls/1/{field}"]
    assert problem["errors"][0]["row"] is None
    assert client.get(PULLS).json()["items"] == []


def test_pages_and_windows(client: TestClient[Any]) -> None:
    client.post(
        PULLS,
        json=sent(*(a_pull_body(performed_at=f"2026-04-{n:02}T08:00:00Z") for n in range(1, 8))),
        headers=key(),
    )
    query = {"since": "2026-04-02T08:00:00Z", "until": "2026-04-06T08:00:00Z", "limit": 3}
    page = client.get(PULLS, params=query).json()
    rest = client.get(PULLS, params=query | {"cursor": page["next_cursor"]}).json()
    days = [pull["performed_at"][8:10] for pull in (*page["items"], *rest["items"])]
    assert days == ["05", "04", "03", "02"]
    assert rest["next_cursor"] is None
    naive = client.get(PULLS, params={"since": "2026-04-02T08:00:00"})
    assert fields(assert_problem(naive, "invalid-request")) == ["query:since"]


def test_a_wrong_pull_is_voided_once_and_recorded_anew(client: TestClient[Any]) -> None:
    pull = client.post(PULLS, json=sent(a_pull_body()), headers=key("a")).json()["stored"][0]
    place = f"{PULLS}/{pull['id']}/void"
    voided = client.post(place, json={"reason": "four nuts only"}, headers=key("b")).json()
    assert voided["void"]["reason"] == "four nuts only"
    again = client.post(place, json={"reason": "four nuts only"}, headers=key("c"))
    assert_problem(again, "already-voided")
    right = client.post(PULLS, json=sent(a_pull_body(count=4)), headers=key("d")).json()
    assert [pull["count"] for pull in right["stored"]] == [4]


def test_a_pull_of_another_wrench_is_not_found_here(client: TestClient[Any]) -> None:
    assert_problem(client.get(f"{PULLS}/no-such-pull"), "unknown-record")


def test_work_without_a_key_is_refused(client: TestClient[Any]) -> None:
    assert_problem(client.post(PULLS, json=sent(a_pull_body())), "idempotency-key-missing")


CSV = (
    "wrench,job,performed_at,direction,torque,unit,count\n"
    "TW-1,W-1,2026-05-01T08:00:00Z,clockwise,60,Nm,5\n"
    "TW-1,W-2,2026-05-01T09:00:00,clockwise,60,N.m,\n"
    "TW-9,W-3,2026-05-01T09:00:00Z,clockwise,60,N.m,\n"
    "TW-1,W-4,2026-05-01T09:00:00Z,clockwise,sixty,N.m,\n"
    "TW-1,W-5,2026-05-01T09:00:00Z,clockwise,60,J,\n"
)


def test_a_file_is_all_or_nothing_with_every_fault_by_row(client: TestClient[Any]) -> None:
    headers = {"Content-Type": "text/csv"} | key("a")
    refused = client.post("/v1/pulls/import", content=CSV, headers=headers)
    problem = assert_problem(refused, "refused")
    found = [(each["row"], each["field"]) for each in problem["errors"]]
    assert found == [(2, "performed_at"), (3, "wrench"), (4, "torque"), (5, "unit")]
    assert client.get(PULLS).json()["items"] == []


def test_partly_a_file_is_stored_with_a_report_of_the_rest(client: TestClient[Any]) -> None:
    headers = {"Content-Type": "text/csv"} | key("a")
    report = client.post("/v1/pulls/import?partial=true", content=CSV, headers=headers).json()
    assert len(report["stored"]) == 1
    assert [each["row"] for each in report["refused"]] == [2, 3, 4, 5]
    (pull,) = client.get(PULLS).json()["items"]
    assert (pull["job"], pull["count"], pull["torque"]["unit"]) == ("W-1", 5, "N.m")


def test_lines_of_ndjson_are_pulls(client: TestClient[Any]) -> None:
    line = (
        '{"wrench":"TW-1","job":"W-1","performed_at":"2026-05-01T08:00:00Z",'
        '"direction":"clockwise","torque":{"value":60,"unit":"N.m"},"client_id":"7"}\n'
    )
    headers = {"Content-Type": "application/x-ndjson"}
    first = client.post("/v1/pulls/import", content=line, headers=headers | key("a")).json()
    again = client.post("/v1/pulls/import", content=line, headers=headers | key("b")).json()
    assert again["already_there"] == first["stored"]
    bad = line.replace('"client_id":"7"', '"count":"five"')
    answer = client.post("/v1/pulls/import", content=line + bad, headers=headers | key("c"))
    errors = assert_problem(answer, "refused")["errors"]
    assert [(each["row"], each["field"]) for each in errors] == [(2, "/count")]
