"""The sheet of a wrench: its verdict in words, its tables, and what it does not know."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, key
from sample_fleet import fill, take_out_of_service
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.pages import wrenches
from service.store import LOCAL_SHOP, Store


def words(text: str) -> str:
    """What a page says, without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """A shop with a history, read by every test that asks for it and changed by none."""
    with Store.open(tmp_path_factory.mktemp("sheets") / "shop.db", migrate=True) as store:
        fill(store)
        take_out_of_service(store, "SP-2")
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def sheet(client: TestClient[Any], serial: str, **query: str) -> str:
    page = client.get(f"/wrenches/{serial}", params=query)
    assert page.status_code == 200, page.text
    return page.text


def test_a_sheet_says_what_the_api_says(fleet: TestClient[Application]) -> None:
    said = words(sheet(fleet, "SP-1"))
    base = "/v1/wrenches/SP-1"
    for path in ("risk", "due", "trusted-window"):
        (told, *_) = fleet.get(f"{base}/{path}").json()["directions"]
        assert told["in_words"] in said
    assert "The vehicle maker&#39;s procedure and the rules in force" in said


def test_a_place_of_the_drift_table_is_the_drift_of_the_api(
    fleet: TestClient[Application],
) -> None:
    (told,) = fleet.get("/v1/wrenches/SP-3/drift").json()["directions"]
    place = told["places"][0]
    assert place["deviation_pct"] > 1  # delivers low by construction of the shop
    cells = re.findall(
        r'<th scope="row">20 N·m</th><td>low, 20 %</td><td>(.*?)</td>', sheet(fleet, "SP-3")
    )
    assert cells == [f"{place['deviation_pct']:.2g} % low"]


def test_charts_are_pictures_with_words_and_their_addresses_work(
    fleet: TestClient[Application],
) -> None:
    page = sheet(fleet, "SP-1")
    pictures = re.findall(r'<img src="([^"]+)" alt="([^"]+)">', page)
    assert [re.findall(r"charts/(\w+)", src)[0] for src, _ in pictures] == [
        "drift",
        "capability",
        "scatter",
    ]
    for src, alt in pictures:
        assert len(alt.split()) > 5
        drawn = fleet.get(src.replace("&amp;", "&"))
        assert drawn.status_code == 200
        assert drawn.headers["content-type"] == "image/svg+xml"


def test_a_wrench_out_of_service_is_not_fit_and_says_why(fleet: TestClient[Application]) -> None:
    said = words(sheet(fleet, "SP-2"))
    assert "Out of service: fell" in said
    assert "Not fit SP-2 clockwise" in said


def test_a_wrench_never_checked_says_what_is_missing(fleet: TestClient[Application]) -> None:
    page = sheet(fleet, "NEW-1")
    said = words(page)
    assert "Not fit Nothing can be said of it clockwise:" in said
    assert "None yet." in said
    assert "<img" not in page
    assert 'href="/bench?wrench=NEW-1&amp;direction=clockwise"' in page


def test_each_direction_with_a_tolerance_has_its_sheet(fleet: TestClient[Application]) -> None:
    page = sheet(fleet, "EL-1", direction="counter_clockwise")
    assert 'href="/wrenches/EL-1?direction=clockwise"' in page
    assert "Nothing can be said of it counter-clockwise" in words(page)
    assert "Counter-clockwise" not in sheet(fleet, "SP-1", direction="counter_clockwise")


def test_the_history_tells_each_check_by_the_shops_clock(client: TestClient[Any]) -> None:
    policy = client.get("/v1/policy")
    body = {name: value for name, value in policy.json().items() if name != "version"}
    changed = client.put(
        "/v1/policy",
        json=body | {"time_zone": "Pacific/Kiritimati"},
        headers={"If-Match": policy.headers["etag"]},
    )
    assert changed.status_code == 200
    sent = client.post(
        CHECKS, json=a_check_body(performed_at="2026-05-03T23:10:00Z"), headers=key()
    )
    assert sent.status_code == 201, sent.text
    # 14 hours ahead of UTC (tz database), so it is the day after.
    page = sheet(client, "TW-1")
    assert '<th scope="row">2026-05-04</th>' in page
    assert f'<a href="/bench/checks/TW-1/{sent.json()["id"]}">Passed</a>' in page


def test_what_was_done_to_it_is_told_by_whom(client: TestClient[Any]) -> None:
    tag = client.get("/v1/wrenches/TW-1").headers["etag"]
    answer = client.patch(
        "/v1/wrenches/TW-1",
        json={"service": {"status": "out_of_service", "reason": "fell off the bench"}},
        headers={"If-Match": tag, "Acting-Person": "A. Tester"},
    )
    assert answer.status_code == 200
    said = words(sheet(client, "TW-1"))
    assert "TW-1 was taken out of service: fell off the bench; A. Tester." in said


def test_a_serial_typed_in_other_letters_leads_to_its_sheet(client: TestClient[Any]) -> None:
    answer = client.get("/wrenches", params={"wrench": " tw-1 "}, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/wrenches/TW-1"


def test_an_unknown_serial_is_said_with_what_is_like_it(client: TestClient[Any]) -> None:
    for page in (
        client.get("/wrenches", params={"wrench": "TVV-1"}),
        client.get("/wrenches/TVV-1"),
    ):
        assert page.status_code == 404
        assert "There is no TVV-1 here" in page.text
        assert 'href="/wrenches/TW-1"' in page.text


def test_a_hostile_serial_is_shown_and_never_run(client: TestClient[Any]) -> None:
    page = client.get("/wrenches/%3Cscript%3Ealert(1)")
    assert page.status_code == 404
    assert "<script>alert" not in page.text
    assert "&lt;script&gt;alert(1)" in page.text


def test_a_long_list_of_serials_comes_in_pages(
    fleet: TestClient[Application], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every serial once, in order, and a way from each page to its neighbours."""
    told = re.findall(r'<li><a href="/wrenches/([^"]+)"', fleet.get("/wrenches").text)
    monkeypatch.setattr(wrenches, "LISTED", 2)
    path, found = "/wrenches", []
    while path:
        page = fleet.get(path).text
        listed = re.findall(r'<li><a href="/wrenches/([^"]+)"', page)
        assert 0 < len(listed) <= 2
        found += listed
        later = re.search(r'href="([^"]+)">Later serials', page)
        path = later[1] if later else ""
    assert found == told
    assert len(found) > 2
    assert "Earlier serials" in page
    assert "ends before this page" in fleet.get("/wrenches", params={"page": 99}).text
