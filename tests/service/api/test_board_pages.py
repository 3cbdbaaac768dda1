"""The board: what to do today, from what is known now, without hanging for what is not."""

import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import a_check_body, key
from sample_fleet import fill, take_out_of_service
from sample_records import NOW, a_wrench

from service.api.access import Shop
from service.api.fleet_days import FleetDays, Seen
from service.app import create_app
from service.clock import PinnedClock
from service.fleet_day import FleetDay
from service.fleet_day import fleet_day as worked_out
from service.store import LOCAL_SHOP, Store


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("board") / "shop.db", migrate=True) as opened:
        fill(opened)
        with opened.write(LOCAL_SHOP) as shop:
            shop.wrenches.add(a_wrench("OUT-1"))
        take_out_of_service(opened, "OUT-1")
        yield opened


@pytest.fixture(scope="module")
def client(store: Store) -> Iterator[TestClient[Any]]:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    with signed_in(app, store) as opened:
        wait_for_board(opened)
        yield opened


def wait_for_board(client: TestClient[Any]) -> None:
    end = time.monotonic() + 120
    while not client.get("/board/state").json()["current"]:
        assert time.monotonic() < end
        time.sleep(0.05)


def listed(page: str) -> list[str]:
    """The serials in the order of the list."""
    return re.findall(r'<div class="who"><a [^>]*>([^<]+)</a>', page)


def words(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_the_riskiest_comes_first_as_the_api_has_it(client: TestClient[Any]) -> None:
    page = client.get("/board").text
    risks = client.get("/v1/risks").json()["risks"]
    assert listed(page) == list(dict.fromkeys(risk["wrench"] for risk in risks))
    assert listed(page)[0] == "SP-3"


def test_one_glance_tells_what_to_do(client: TestClient[Any]) -> None:
    said = words(client.get("/board").text)
    visits = client.get("/v1/schedule").json()["visits"]
    overdue = [each for each in visits if each["due"] < "2026-05-04"]
    assert len({each["wrench"] for each in overdue}) == 1
    assert "1 wrench is overdue. First comes SP-3, today:" in said
    assert "1 wrench was never checked: nothing speaks for it." in said


def test_what_is_out_of_service_says_why(client: TestClient[Any]) -> None:
    said = words(client.get("/board").text)
    assert "Out of service OUT-1 Fell" in said
    assert (
        "a calibration card or one check on a tester would. NEW-1 check NEW-1 Out of service"
        in said
    )


def test_the_plan_shows_every_visit_of_the_schedule(client: TestClient[Any]) -> None:
    page = client.get("/board").text
    plan = page[page.index('class="plan"') : page.index('id="fleet"')]
    visits = client.get("/v1/schedule?days=35").json()["visits"]
    assert visits
    assert re.findall(r"<li><a href=\"/wrenches/[^>]*>([^<]+)</a>", plan) == [
        each["wrench"] for each in visits
    ]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("mechanism=electronic", {"EL-1"}),
        ("mechanism=spring&status=not_fit", {"SP-3"}),
        ("within=0", {"SP-3"}),
        ("mechanism=dial", set()),
        ("mechanism=none-such&status=nor-this&within=never", {"EL-1", "SP-1", "SP-2", "SP-3"}),
    ],
)
def test_filters(client: TestClient[Any], query: str, expected: set[str]) -> None:
    assert set(listed(client.get(f"/board?{query}").text)) == expected


def test_a_choice_made_stays_made(client: TestClient[Any]) -> None:
    page = client.get("/board?mechanism=electronic").text
    assert '<option value="electronic" selected>' in page
    assert page.count(" selected>") == 1


def test_a_long_list_comes_in_pages(
    client: TestClient[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = listed(client.get("/board").text)
    monkeypatch.setattr("service.pages.board.ROWS", 3)
    first = client.get("/board").text
    assert listed(first) == whole[:3]
    assert '<a class="button" href="/board?page=2">Less risky</a>' in first
    assert "Riskier" not in first
    last = client.get("/board?page=2").text
    assert listed(last) == whole[3:]
    assert '<a class="button" href="/board?page=1">Riskier</a>' in last
    assert "Less risky" not in last


def test_the_start_page_says_the_same(client: TestClient[Any]) -> None:
    assert "1 wrench is overdue. First comes SP-3, today" in words(client.get("/").text)


def test_the_bench_is_told_who_comes_next(client: TestClient[Any]) -> None:
    said = words(client.get("/bench").text)
    assert "Today at the bench SP-3" in said


class Held:
    """The fleet's day, worked out only when it is let go."""

    def __init__(self) -> None:
        self.let_go = threading.Event()

    def __call__(self, *arguments: Any) -> FleetDay:
        assert self.let_go.wait(60)
        return worked_out(*arguments)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
    held = Held()
    monkeypatch.setattr("service.api.fleet_days.fleet_day", held)
    yield held
    held.let_go.set()


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "shop.db", migrate=True) as opened:
        fill(opened, ("EL-1",))
        yield opened


def app_over(store: Store) -> TestClient[Any]:
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    return signed_in(app, store)


def test_the_board_does_not_hang_for_the_fit(small: Store, held: Held) -> None:
    with app_over(small) as client:
        page = client.get("/board")
        assert page.status_code == 200
        assert "The fleet is being worked out" in page.text
        assert "board.js" in page.text
        assert client.get("/board/state").json() == {"current": False, "failed": False}
        held.let_go.set()
        wait_for_board(client)
        assert listed(client.get("/board").text) == ["EL-1"]
        assert "board.js" not in client.get("/board").text


def test_after_a_new_check_the_day_before_it_stays_until_the_new_one_is_there(
    small: Store, held: Held
) -> None:
    with app_over(small) as client:
        held.let_go.set()
        client.get("/board")
        wait_for_board(client)
        held.let_go.clear()
        body = a_check_body(cycle_count=5000)
        sent = client.post("/v1/wrenches/EL-1/checks", json=body, headers=key())
        assert sent.status_code == 201
        page = client.get("/board").text
        assert "Something was recorded since" in page
        assert listed(page) == ["EL-1"]
        held.let_go.set()
        wait_for_board(client)
        assert "Something was recorded since" not in client.get("/board").text


def test_a_day_that_cannot_be_worked_out_is_told_and_stops_nothing_else(
    small: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> FleetDay:
        raise ArithmeticError("invented")

    failed: list[Any] = []
    monkeypatch.setattr("service.api.fleet_days.fleet_day", fail)
    monkeypatch.setattr(threading, "excepthook", failed.append)
    with app_over(small) as client:
        end = time.monotonic() + 60
        while not client.get("/board/state").json()["failed"]:
            assert time.monotonic() < end
            time.sleep(0.05)
        page = client.get("/board").text
        assert "The fleet could not be worked out" in page
        assert "board.js" not in page
        for path in ("/", "/bench", "/bench?wrench=EL-1"):
            assert client.get(path).status_code == 200
    assert [each.exc_type for each in failed] == [ArithmeticError]


def test_called_off_it_does_not_touch_the_store(small: Store) -> None:
    days = FleetDays(Shop(small, LOCAL_SHOP, PinnedClock(NOW)))
    days.call_off()
    assert days.seen() == Seen(None, current=False)
    assert days.wait(60)
