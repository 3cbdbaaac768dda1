"""Clients that race: one of two changes wins, one check counts once, and nobody is told "busy"."""

import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
from racing import Service

pytestmark = pytest.mark.faults

TESTER = {
    "serial": "TB-1",
    "lowest": {"value": 10, "unit": "N.m"},
    "full_scale": {"value": 500, "unit": "N.m"},
    "expanded_uncertainty_pct": 0.5,
    "coverage_factor": 2,
    "certificate": "C-26-002",
    "calibrated_on": "2026-02-01",
    "due_on": "2027-02-01",
}


def a_wrench(serial: str) -> dict[str, Any]:
    return {
        "serial": serial,
        "mechanism": "spring",
        "indication": "type_ii_setting",
        "lowest": {"value": 40, "unit": "N.m"},
        "full_scale": {"value": 200, "unit": "N.m"},
        "mpd_clockwise": {"percent": 4},
    }


def a_check(at: str) -> dict[str, Any]:
    return {
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": at,
        "tester": "TB-1",
        "points": [
            {
                "target": {"value": 100, "unit": "N.m"},
                "readings": {"values": [99.1, 99.2, 99.3], "unit": "N.m"},
            }
        ],
    }


def csv_of(serial: str, at: str) -> str:
    """The same check as a file tells it."""
    head = (
        "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,"
        "reading,indicated,unit,card_issuer,card_certificate,card_issued_on"
    )
    check = f"{serial},as_found,clockwise,{at},TB-1,,,,100"
    rows = [f"{check},{value},,N.m,,," for value in (99.1, 99.2, 99.3)]
    return "\n".join([head, *rows, ""])


def at_once(*requests: Callable[[], httpx.Response]) -> list[httpx.Response]:
    """The answers to requests that set off together."""
    start = threading.Barrier(len(requests))

    def send(request: Callable[[], httpx.Response]) -> httpx.Response:
        start.wait()
        return request()

    with ThreadPoolExecutor(len(requests)) as pool:
        return list(pool.map(send, requests))


@pytest.fixture(scope="module")
def bench(service: Service) -> Service:
    furnish(service)
    return service


def furnish(service: Service) -> None:
    """A tester and a wrench for the service."""
    with service.client() as client:
        for path, body in (("testers", TESTER), ("wrenches", a_wrench("TW-1"))):
            answer = client.post(f"/v1/{path}", json=body, headers={"Idempotency-Key": path})
            assert answer.status_code == 201, answer.text


def race_changes(service: Service, pairs: int) -> None:
    with service.client() as one, service.client() as other:
        answer = one.get("/v1/wrenches/TW-1")
        for pair in range(pairs):
            headers = {"If-Match": answer.headers["ETag"]}

            def change(client: httpx.Client, model: str, headers: Any = headers) -> httpx.Response:
                return client.patch("/v1/wrenches/TW-1", json={"model": model}, headers=headers)

            answers = at_once(
                lambda pair=pair: change(one, f"one {pair}"),  # type: ignore[misc]
                lambda pair=pair: change(other, f"other {pair}"),  # type: ignore[misc]
            )
            assert sorted(a.status_code for a in answers) == [200, 412], [a.text for a in answers]
            (answer,) = (a for a in answers if a.status_code == 200)
            stored = one.get("/v1/wrenches/TW-1")
            assert stored.json()["model"] == answer.json()["model"]
            assert stored.headers["ETag"] == answer.headers["ETag"]


def test_of_two_racing_changes_one_wins_and_the_other_is_told(bench: Service, long: bool) -> None:
    race_changes(bench, 3000 if long else 200)


def test_changes_that_both_win_are_found(service_that_compares_no_version: Service) -> None:
    furnish(service_that_compares_no_version)
    with pytest.raises(AssertionError, match="200, 200"):
        race_changes(service_that_compares_no_version, 20)


def test_a_check_by_json_by_file_and_under_a_second_key_counts_once(bench: Service) -> None:
    """The loser of a race is told of the check that is there; a file counts it as there already."""
    rounds = 25
    clients = [bench.client() for _ in range(3)]
    by_hand, again, by_file = clients
    for number in range(rounds):
        at = f"2026-05-04T08:{number:02}:00Z"
        answers = at_once(
            lambda at=at: by_hand.post(  # type: ignore[misc]
                "/v1/wrenches/TW-1/checks",
                json=a_check(at),
                headers={"Idempotency-Key": f"hand-{at}"},
            ),
            lambda at=at: again.post(  # type: ignore[misc]
                "/v1/wrenches/TW-1/checks",
                json=a_check(at),
                headers={"Idempotency-Key": f"again-{at}"},
            ),
            lambda at=at: by_file.post(  # type: ignore[misc]
                "/v1/checks/import",
                content=csv_of("TW-1", at),
                headers={"Content-Type": "text/csv", "Idempotency-Key": f"file-{at}"},
            ),
        )
        stored = sum(answer.status_code == 201 for answer in answers[:2])
        assert {answer.status_code for answer in answers[:2]} <= {201, 409}, answers[0].text
        assert answers[2].is_success, answers[2].text
        report = answers[2].json()
        assert stored + len(report["stored"]) == 1
        assert len(report["stored"]) + len(report["already_there"]) == 1
    with bench.client() as client:
        ids = [
            each["id"] for each in client.get("/v1/wrenches/TW-1/checks?limit=200").json()["items"]
        ]
    assert len(ids) == rounds
    for client in clients:
        client.close()


def test_one_key_from_many_clients_at_once_is_one_check(bench: Service) -> None:
    clients = [bench.client() for _ in range(16)]
    answers = at_once(
        *(
            lambda client=client: client.post(  # type: ignore[misc]
                "/v1/wrenches/TW-1/checks",
                json=a_check("2026-05-03T08:00:00Z"),
                headers={"Idempotency-Key": "one-for-all"},
            )
            for client in clients
        )
    )
    assert Counter(answer.status_code for answer in answers) == {201: 16}
    assert len({answer.content for answer in answers}) == 1
    assert sum("Idempotency-Replayed" not in answer.headers for answer in answers) == 1
    for client in clients:
        client.close()


def crowd(service: Service, prefix: str, each: int, clients: int = 32) -> Counter[int]:
    """Status codes of what many clients ask and record, each on a connection of its own."""

    def work(number: int) -> list[int]:
        codes = []
        with service.client() as client:
            serial = f"{prefix}-{number}"
            sent = client.post(
                "/v1/wrenches", json=a_wrench(serial), headers={"Idempotency-Key": serial}
            )
            codes.append(sent.status_code)
            for turn in range(each):
                at = f"2026-04-{1 + turn // 24 % 28:02}T{turn % 24:02}:00:00Z"
                posted = client.post(
                    f"/v1/wrenches/{serial}/checks",
                    json=a_check(at),
                    headers={"Idempotency-Key": f"{serial}-{turn}"},
                )
                assert posted.status_code == 201, posted.text
                listed = client.get(f"/v1/wrenches/{serial}/checks?limit=200")
                codes += [posted.status_code, listed.status_code]
                assert len(listed.json()["items"]) == turn + 1  # what one recorded, it sees
        return codes

    with ThreadPoolExecutor(clients) as pool:
        return Counter(code for codes in pool.map(work, range(clients)) for code in codes)


def test_nobody_in_a_crowd_is_told_that_the_store_is_busy(bench: Service, long: bool) -> None:
    each = 60 if long else 5
    assert crowd(bench, "CW", each) == {201: 32 + 32 * each, 200: 32 * each}
