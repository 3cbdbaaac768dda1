"""Files of checks over HTTP: all or nothing, or in part with a report, and once in any case."""

import json
from typing import Any

import pytest
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, assert_problem, fields, key

IMPORT = "/v1/checks/import"
HEADER = (
    "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,reading,"
    "indicated,unit,card_issuer,card_certificate,card_issued_on"
)


def row(reading: str = "19.79", **changes: str) -> str:
    cells = {
        "wrench": "TW-1",
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": "2026-05-04T08:10:00Z",
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": "21.5",
        "cycle_count": "1200",
        "target": "20",
        "reading": reading,
        "indicated": "",
        "unit": "N.m",
        "card_issuer": "",
        "card_certificate": "",
        "card_issued_on": "",
    } | changes
    return ",".join(cells.values())


def csv(*rows: str) -> str:
    return "\n".join((HEADER, *rows)) + "\n"


def ndjson(*checks: dict[str, Any]) -> str:
    return "".join(json.dumps(check) + "\n" for check in checks)


def send(
    client: TestClient[Any],
    content: str | bytes,
    media_type: str = "text/csv",
    *,
    idempotency_key: str = "import-1",
    **params: str,
) -> Any:
    return client.post(
        IMPORT,
        content=content,
        params=params,
        headers={"Content-Type": media_type, **key(idempotency_key)},
    )


def test_rows_of_one_visit_become_one_check(client: TestClient[Any]) -> None:
    later = {"performed_at": "2026-05-04T09:10:00Z", "cycle_count": "1201"}
    response = send(client, csv(row("19.79"), row("19.83"), row("59.8", target="60"), row(**later)))
    assert response.status_code == 200
    report = response.json()
    assert len(report["stored"]) == 2
    assert report["already_there"] == report["refused"] == []
    stored = client.get(f"{CHECKS}/{report['stored'][0]}").json()
    assert [len(point["readings"]) for point in stored["points"]] == [2, 1]
    assert stored["verdict"]["passed"] is True


def test_lines_of_ndjson_are_the_bodies_of_checks(client: TestClient[Any]) -> None:
    first = a_check_body(wrench="TW-1")
    second = a_check_body(wrench="TW-1", performed_at="2026-05-04T09:10:00Z", cycle_count=1201)
    response = send(client, ndjson(first, second), "application/x-ndjson")
    assert len(response.json()["stored"]) == 2


def test_the_same_check_by_another_road_counts_once(client: TestClient[Any]) -> None:
    """Posted first, then in a file: two copies would falsify the evidence."""
    posted = client.post(CHECKS, json=a_check_body(), headers=key("post"))
    line = ndjson(a_check_body(wrench="TW-1"))
    report = send(client, line, "application/x-ndjson").json()
    assert report == {"stored": [], "already_there": [posted.json()["id"]], "refused": []}


def test_one_broken_row_refuses_the_whole_file(client: TestClient[Any]) -> None:
    broken = row("19.8x", performed_at="2026-05-04T09:10:00Z")
    problem = assert_problem(send(client, csv(row(), broken)), "refused")
    assert [(each["row"], each["field"]) for each in problem["errors"]] == [(2, "reading")]
    assert client.get(CHECKS).json()["items"] == []


def test_in_part_the_rest_is_stored_and_every_fault_told(client: TestClient[Any]) -> None:
    rows = (
        row(),
        row("0", performed_at="2026-05-04T09:10:00Z"),
        row(wrench="TW-9"),
        row(unit="J", performed_at="2026-05-04T10:10:00Z"),
        row(direction="counter_clockwise"),
        row(performed_at="2026-05-04T08:10:00"),
        row(performed_at="2026-05-05T08:10:00Z"),
        row(tester="TB-9"),
        row(target="200", performed_at="2026-05-04T11:10:00Z"),
    )
    report = send(client, csv(*rows), partial="true").json()
    assert len(report["stored"]) == 1
    faults = {(each["row"], each["field"]) for each in report["refused"]}
    assert {(2, "reading"), (3, "wrench"), (4, "unit"), (5, "direction")} <= faults
    assert {(6, "performed_at"), (7, "performed_at"), (8, "tester"), (9, "target")} <= faults
    assert all(each["detail"] and each["remedy"] for each in report["refused"])


@pytest.mark.parametrize(
    "content",
    [
        "wrench,kind\nTW-1,as_found\n",
        HEADER.replace("wrench", "wrench,wrench") + "\n",
        HEADER + ",colour\n" + row() + ",red\n",
        HEADER + "\n",
        "\x00",
        "[]",
    ],
)
def test_a_file_that_is_not_of_this_form_is_refused(client: TestClient[Any], content: str) -> None:
    assert_problem(send(client, content), "refused")


def test_bytes_that_are_not_text_are_refused(client: TestClient[Any]) -> None:
    assert_problem(send(client, b"\xff\xfe\x00"), "refused")
    assert_problem(send(client, b"\xff\xfe\x00", "application/x-ndjson"), "refused")


@pytest.mark.parametrize(
    "line",
    ["{", "[]", "null", '{"wrench": NaN}', '{"wrench": "TW-1", "wrench": "TW-1"}', "{}", "5"],
)
def test_a_broken_line_is_told_with_its_number(client: TestClient[Any], line: str) -> None:
    good = ndjson(a_check_body(wrench="TW-1"))
    response = send(client, f"{good}{line}\n", "application/x-ndjson")
    problem = assert_problem(response, "refused")
    assert {each["row"] for each in problem["errors"]} == {2}


def test_an_import_sent_again_gets_the_same_answer(client: TestClient[Any]) -> None:
    first, again = send(client, csv(row())), send(client, csv(row()))
    assert again.content == first.content
    assert again.headers["idempotency-replayed"] == "true"
    other = send(client, csv(row("19.9")))
    assert_problem(other, "idempotency-key-reused")
    in_part = send(client, csv(row()), partial="true")
    assert_problem(in_part, "idempotency-key-reused")


def test_an_import_wants_its_key_and_a_format_it_reads(client: TestClient[Any]) -> None:
    without = client.post(IMPORT, content=csv(row()), headers={"Content-Type": "text/csv"})
    assert_problem(without, "idempotency-key-missing")
    for media_type in ("application/json", "text/plain", "text/csv; charset=latin-1"):
        response = send(client, csv(row()), media_type)
        assert_problem(response, "unsupported-media-type")
        assert response.headers["accept"] == (
            "text/csv, application/x-ndjson, application/vnd.apache.parquet"
        )
    assert_problem(send(client, ""), "malformed-body")


def test_unusual_readings_are_confirmed_for_the_whole_file(client: TestClient[Any]) -> None:
    """14.75 is 20 N·m read in ft·lbf."""
    content = csv(row("14.75"), row("14.70"))
    problem = assert_problem(send(client, content, idempotency_key="a"), "refused")
    assert set(fields(problem)) == {"reading"}
    confirmed = send(client, content, idempotency_key="b", confirm_unusual="true")
    assert confirmed.status_code == 200


def test_an_import_may_be_larger_than_a_check(client: TestClient[Any]) -> None:
    padding = csv(row()) + "\n" * 300_000
    assert send(client, padding).status_code == 200
    assert_problem(send(client, b"w" * (33 * 1024 * 1024), idempotency_key="b"), "body-too-large")
