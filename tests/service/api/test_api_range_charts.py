"""The range study's charts and report over HTTP: formats, tags, and what they refuse."""

from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import assert_problem, fields
from sample_range import SPRING, fill_range
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

CHARTS = "/v1/range-study/charts"
REPORT = "/v1/range-study/report"


@pytest.fixture(scope="module")
def ranged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    with Store.open(tmp_path_factory.mktemp("charts") / "shop.db", migrate=True) as store:
        fill_range(store, SPRING)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


@pytest.mark.parametrize("name", ["scatter", "capability", "trust-floor"])
def test_every_chart_is_a_specification_by_accept(
    ranged: TestClient[Application], name: str
) -> None:
    answer = ranged.get(f"{CHARTS}/{name}", headers={"Accept": "application/json"})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["vary"] == "Accept"
    assert "spring" in " ".join(answer.json()["title"]["text"]).casefold()


def test_a_format_named_is_given_whatever_accept_says(ranged: TestClient[Application]) -> None:
    png = ranged.get(
        f"{CHARTS}/scatter", params={"format": "png"}, headers={"Accept": "application/json"}
    )
    assert png.headers["content-type"] == "image/png"
    assert png.content[:4] == b"\x89PNG"
    svg = ranged.get(f"{CHARTS}/scatter")
    assert svg.headers["content-type"] == "image/svg+xml"
    assert svg.content.startswith(b"<svg")


def test_formats_directions_and_charts_have_tags_of_their_own(
    ranged: TestClient[Application],
) -> None:
    asked: list[tuple[str, dict[str, str]]] = [
        ("scatter", {"format": "json"}),
        ("scatter", {"format": "svg"}),
        ("capability", {"format": "json"}),
        ("scatter", {"format": "json", "direction": "counter_clockwise"}),
    ]
    tags = [ranged.get(f"{CHARTS}/{name}", params=query).headers["etag"] for name, query in asked]
    assert len(set(tags)) == len(tags)
    held = ranged.get(
        f"{CHARTS}/scatter", params={"format": "json"}, headers={"If-None-Match": tags[0]}
    )
    assert held.status_code == 304


def test_a_format_that_there_is_not_is_refused_with_those_there_are(
    ranged: TestClient[Application],
) -> None:
    problem = assert_problem(
        ranged.get(f"{CHARTS}/scatter", headers={"Accept": "text/csv"}), "not-acceptable"
    )
    assert fields(problem) == ["header:Accept"]
    assert "image/svg+xml" in problem["detail"]


@pytest.mark.parametrize(
    ("name", "query", "field"),
    [("pie", {}, "path:name"), ("scatter", {"format": "gif"}, "query:format")],
)
def test_a_chart_or_format_by_another_name_is_refused(
    ranged: TestClient[Application], name: str, query: dict[str, str], field: str
) -> None:
    problem = assert_problem(ranged.get(f"{CHARTS}/{name}", params=query), "invalid-request")
    assert fields(problem) == [field]


def test_the_report_is_a_page_with_a_policy_and_a_tag(ranged: TestClient[Application]) -> None:
    answer = ranged.get(REPORT)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "is confirmed for spring wrenches" in answer.text
    tag = answer.headers["etag"]
    assert ranged.get(REPORT, headers={"If-None-Match": tag}).status_code == 304


def test_a_shop_without_checks_has_charts_and_a_report_that_say_so(client: TestClient[Any]) -> None:
    for name in ("scatter", "capability", "trust-floor"):
        assert client.get(f"{CHARTS}/{name}").status_code == 200
    assert "no check of its own yet" in client.get(REPORT).text
