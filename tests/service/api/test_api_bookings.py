"""Booked days at the bench: what can be had, what changes, and how the schedule keeps them.

NOW is Monday, 2026-05-04; the bench is closed at weekends.
"""

import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import a_check_body, a_policy_body, a_wrench_body, assert_problem, fields, key
from sample_fleet import fill
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

BOOKINGS = "/v1/schedule/bookings"
ANY = {"If-Match": "*"}


def book(client: TestClient[Any], day: str, wrench: str = "TW-1", **more: Any) -> Any:
    return client.post(BOOKINGS, json={"wrench": wrench, "day": day} | more)


def booked(client: TestClient[Any], day: str, wrench: str = "TW-1", **more: Any) -> Any:
    response = book(client, day, wrench, **more)
    assert response.status_code == 201, response.text
    return response.json()


def policy(client: TestClient[Any], **changes: Any) -> None:
    body = a_policy_body(time_zone="UTC", **changes)
    assert client.put("/v1/policy", json=body, headers=ANY).status_code == 200


def standing(client: TestClient[Any]) -> dict[str, str]:
    items = client.get(BOOKINGS).json()["items"]
    return {item["day"]: item["keeping"] for item in items}


def finding(response: Any) -> dict[str, Any]:
    (only,) = assert_problem(response, "refused")["errors"]
    assert isinstance(only, dict)
    return only


def test_a_day_is_booked_read_moved_and_cancelled_with_its_history(
    client: TestClient[Application],
) -> None:
    made = book(client, "2026-05-08", note="before the season")
    place = made.headers["location"]
    assert place == f"{BOOKINGS}/{made.json()['id']}"
    assert made.headers["etag"] == '"v1"'
    assert made.json()["in_words"] == "TW-1: booked for 2026-05-08, for its check as found."
    stale = client.patch(place, json={"day": "2026-05-11"}, headers={"If-Match": '"v7"'})
    assert_problem(stale, "stale-version")
    assert_problem(client.patch(place, json={"day": "2026-05-11"}), "version-required")
    moved = client.patch(
        place, json={"day": "2026-05-11", "reason": "in use"}, headers={"If-Match": '"v1"'}
    )
    assert (moved.status_code, moved.headers["etag"]) == (200, '"v2"')
    gone = client.patch(
        place, json={"status": "cancelled", "reason": "sold"}, headers={"If-Match": '"v2"'}
    )
    assert gone.json()["in_words"] == "TW-1: no longer booked for 2026-05-11: sold."
    read = client.get(place)
    history = [(each["day"], each["status"], each["reason"]) for each in read.json()["history"]]
    assert history == [
        ("2026-05-08", "booked", None),
        ("2026-05-11", "booked", "in use"),
        ("2026-05-11", "cancelled", "sold"),
    ]
    held = client.get(place, headers={"If-None-Match": read.headers["etag"]})
    assert held.status_code == 304
    again = client.patch(place, json={"status": "booked"}, headers=ANY)
    assert finding(again)["detail"] == "the booking is cancelled"
    assert standing(client) == {"2026-05-11": "cancelled"}


def test_a_request_sent_twice_books_once(client: TestClient[Application]) -> None:
    body = {"wrench": "TW-1", "day": "2026-05-08"}
    first = client.post(BOOKINGS, json=body, headers=key("book-1"))
    again = client.post(BOOKINGS, json=body, headers=key("book-1"))
    assert again.json() == first.json()
    assert again.headers["idempotency-replayed"] == "true"
    assert len(client.get(BOOKINGS).json()["items"]) == 1


def test_a_wrench_has_one_booking_ahead_of_it(client: TestClient[Application]) -> None:
    first = booked(client, "2026-05-08")
    problem = assert_problem(book(client, "2026-05-11"), "duplicate-record")
    assert problem["existing"] == first["id"]


@pytest.mark.parametrize(
    ("day", "detail", "remedy"),
    [
        ("2026-05-09", "the bench is closed on Saturday, 2026-05-09", "2026-05-11"),
        ("2026-05-15", "the bench is closed on Friday, 2026-05-15", "2026-05-18"),
        ("2026-05-03", "2026-05-03 is not between 2026-05-04 and 2027-05-04", "2026-05-04"),
        ("2027-05-05", "2027-05-05 is not between 2026-05-04 and 2027-05-04", "2026-05-04"),
    ],
)
def test_a_day_that_cannot_be_had_names_the_next_that_can(
    client: TestClient[Application], day: str, detail: str, remedy: str
) -> None:
    policy(client, closed_dates=["2026-05-15"])
    found = finding(book(client, day))
    assert (found["field"], found["detail"]) == ("/day", detail)
    assert found["remedy"] == f"the next free day is {remedy}"


def test_a_full_day_is_refused_and_a_place_given_back_is_free(
    client: TestClient[Application],
) -> None:
    policy(client, bench_checks_per_day=1)
    client.post("/v1/wrenches", json=a_wrench_body())
    first = booked(client, "2026-05-08")
    found = finding(book(client, "2026-05-08", "TW-2"))
    assert found["detail"] == "the bench is full on 2026-05-08: its only place is taken"
    assert found["remedy"] == "the next free day is 2026-05-11"
    place = f"{BOOKINGS}/{first['id']}"
    # Its own place does not stand in a booking's way.
    assert client.patch(place, json={"day": "2026-05-08"}, headers=ANY).status_code == 200
    assert client.patch(place, json={"status": "cancelled"}, headers=ANY).status_code == 200
    booked(client, "2026-05-08", "TW-2")


def test_a_wrench_out_of_service_comes_for_its_check_as_left_only(
    client: TestClient[Application],
) -> None:
    policy(client, bench_checks_per_day=1)
    client.post("/v1/wrenches", json=a_wrench_body())
    booked(client, "2026-05-08")
    out = {"service": {"status": "out_of_service", "reason": "fell"}}
    assert client.patch("/v1/wrenches/TW-1", json=out, headers=ANY).status_code == 200
    # Its place is free: nobody brings a wrench that is out for a check as found.
    booked(client, "2026-05-08", "TW-2")
    assert client.get("/v1/schedule").json()["visits"][0]["wrench"] == "TW-2"
    place = f"{BOOKINGS}/{client.get(BOOKINGS, params={'wrench': 'TW-1'}).json()['items'][0]['id']}"
    client.patch(place, json={"status": "cancelled"}, headers=ANY)
    found = finding(book(client, "2026-05-11"))
    assert found["field"] == "/kind"
    assert "book it with kind as_left" in found["remedy"]
    booked(client, "2026-05-11", kind="as_left")
    visits = client.get("/v1/schedule").json()["visits"]
    assert [visit["wrench"] for visit in visits] == ["TW-2", "TW-1"]


@pytest.mark.parametrize("body", [{"day": "2026-05-08"}, {"wrench": "TW-1", "day": "8 May"}])
def test_a_booking_needs_a_wrench_and_a_day(
    client: TestClient[Application], body: dict[str, str]
) -> None:
    assert_problem(client.post(BOOKINGS, json=body), "invalid-request")


def test_what_is_not_there_is_not_booked(client: TestClient[Application]) -> None:
    assert finding(book(client, "2026-05-08", "TW-9"))["field"] == "/wrench"
    assert_problem(client.get(f"{BOOKINGS}/none"), "unknown-record")
    change = client.patch(f"{BOOKINGS}/none", json={"day": "2026-05-08"}, headers=ANY)
    assert_problem(change, "unknown-record")


def test_a_check_on_the_day_keeps_the_booking(client: TestClient[Application]) -> None:
    made = booked(client, "2026-05-04")
    path = "/v1/wrenches/TW-1/checks"
    earlier = a_check_body(performed_at="2026-05-02T08:00:00Z")
    assert client.post(path, json=earlier, headers=key("a")).status_code == 201
    assert standing(client) == {"2026-05-04": "ahead"}
    assert client.post(path, json=a_check_body(), headers=key("b")).status_code == 201
    assert standing(client) == {"2026-05-04": "kept"}
    change = client.patch(f"{BOOKINGS}/{made['id']}", json={"day": "2026-05-08"}, headers=ANY)
    assert finding(change)["detail"] == "the booking was kept by a check"
    booked(client, "2026-05-08")


def test_bookings_come_in_pages(client: TestClient[Application]) -> None:
    policy(client)
    for i in range(5):
        client.post("/v1/wrenches", json=a_wrench_body(serial=f"W-{i}"))
        booked(client, f"2026-05-{11 + i}", f"W-{i}")
    days: list[str] = []
    cursor: dict[str, str] = {}
    while True:
        page = client.get(BOOKINGS, params={"limit": "2"} | cursor).json()
        days += [item["day"] for item in page["items"]]
        if page["next_cursor"] is None:
            break
        cursor = {"cursor": page["next_cursor"]}
    assert days == [f"2026-05-{15 - i}" for i in range(5)]
    assert fields(
        assert_problem(client.get(BOOKINGS, params={"cursor": "abc"}), "invalid-request")
    ) == ["query:cursor"]


def test_a_day_after_the_policy_s_cap_is_booked_with_a_caution(
    client: TestClient[Application],
) -> None:
    """Checked on 2 January 2026, 6 months at most: until 2 July."""
    policy(client, cap_months=6)
    (caution,) = booked(client, "2026-05-08")["cautions"]
    assert caution == "Nothing is known of TW-1: keep it out of use until its check."
    check = a_check_body(performed_at="2026-01-02T08:00:00Z")
    client.post("/v1/wrenches/TW-1/checks", json=check, headers=key("a"))
    place = f"{BOOKINGS}/{client.get(BOOKINGS).json()['items'][0]['id']}"
    for day, told in (("2026-07-02", 0), ("2026-07-03", 1)):
        answer = client.patch(place, json={"day": day}, headers=ANY).json()
        assert len(answer["cautions"]) == told
    assert answer["cautions"][0].startswith("2026-07-03 is 1 day after 2026-07-02, the last day")


def test_the_schedule_keeps_booked_days_and_plans_around_them(tmp_path: Path) -> None:
    """Of four wrenches SP-3 is long overdue; with one place a day the booking takes today's."""
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store)

        def at(days: int) -> TestClient[Application]:
            clock = PinnedClock(NOW + timedelta(days=days))
            return signed_in(create_app(store=store, shop=LOCAL_SHOP, clock=clock), store)

        with at(0) as client:
            policy(client, bench_checks_per_day=1)
            tag = client.get("/v1/schedule").headers["etag"]
            made = booked(client, "2026-05-04", "EL-1")
            booked(client, "2026-05-06", "NEW-1")
            schedule = client.get("/v1/schedule")
            assert schedule.headers["etag"] != tag
            visits = schedule.json()["visits"]
            assert [(v["wrench"], v["day"]) for v in visits[:2]] == [
                ("EL-1", "2026-05-04"), ("SP-3", "2026-05-05"),
            ]  # fmt: skip
            new = next(visit for visit in visits if visit["wrench"] == "NEW-1")
            assert (new["day"], new["due"], new["failure_probability"]) == (
                "2026-05-06", None, None,
            )  # fmt: skip
            assert visits[0]["booking"] == made["id"]
            assert visits[0]["in_words"].startswith("EL-1: booked for 2026-05-04, due on ")
            assert schedule.json()["unchecked"] == []
            assert schedule.json()["in_words"].startswith(
                f"{len(visits)} checks until 2026-08-01: 1 overdue today, "
            )
            assert "2 booked; until they are done, " in schedule.json()["in_words"]
            assert schedule.json()["expected_days_out"] == pytest.approx(
                sum(visit["expected_days_out"] or 0 for visit in visits)
            )
            lines = client.get("/v1/schedule.ics").text.split("\r\n")
            assert f"UID:booking-{made['id']}@local.wrench-drift" in lines
            assert "UID:check-EL-1@local.wrench-drift" not in lines
            assert "STATUS:CONFIRMED" in lines
            before = client.get("/v1/schedule", params={"as_of": "2026-05-03T12:00:00Z"})
            assert all(visit["booking"] is None for visit in before.json()["visits"])
        with at(1) as client:
            schedule = client.get("/v1/schedule").json()
            assert [each["booking"] for each in schedule["missed_bookings"]] == [made["id"]]
            assert "EL-1" not in {v["wrench"] for v in schedule["visits"] if v["booking"]}
            assert schedule["visits"][0]["wrench"] == "SP-3"
            again = client.get("/v1/schedule.ics").text.split("\r\n")
            assert {line for line in lines if line.startswith("UID:check-SP-3")} <= set(again)


def test_the_plan_does_not_hang_on_how_far_one_looks(tmp_path: Path) -> None:
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            policy(client, bench_checks_per_day=1, cap_months=12)
            far = client.get("/v1/schedule", params={"days": "366"}).json()["visits"]
            assert len(far) == 4
            for days in (1, 120, 250):
                near = client.get("/v1/schedule", params={"days": str(days)}).json()
                assert near["visits"] == [v for v in far if v["day"] <= near["last_day"]]


def test_due_dates_are_held_against_a_fixed_interval(tmp_path: Path) -> None:
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            found = client.get("/v1/schedule/savings").json()
            assert found["fixed"]["checks"] == pytest.approx(len(found["wrenches"]))
            assert "SP-3" in found["needs_work"]
            for name in ("checks", "days_out"):
                for regime in ("by_due_dates", "fixed"):
                    parts = [each[regime][name] for each in found["wrenches"]]
                    assert found[regime][name] == pytest.approx(sum(parts))
            short = client.get("/v1/schedule/savings", params={"months": "1"}).json()
            assert short["fixed"]["days_out"] < found["fixed"]["days_out"]
            assert " with a check once a month" in short["in_words"]
            assert client.get("/v1/schedule/savings").json() == found


@pytest.mark.sqlite
def test_what_was_booked_cannot_be_edited_or_deleted(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    with Store.open(path, migrate=True) as store:
        fill(store, ("EL-1",))
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            booked(client, "2026-05-08", "EL-1")
    with sqlite3.connect(path) as connection:
        for statement in ("UPDATE bookings SET day = '2026-05-09'", "DELETE FROM bookings"):
            with pytest.raises(sqlite3.IntegrityError, match="bookings are never"):
                connection.execute(statement)
    connection.close()
