"""Pages carry nothing from elsewhere and nothing inline, and no other site can change anything."""

import re
from html.parser import HTMLParser
from typing import Any

import pytest
from calling import OWN_HOST, UNKNOWN, visiting
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, assert_problem, key
from sample_records import NOW

from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, StoreBusy

PAGES = (
    "/",
    "/bench",
    "/bench?wrench=TW-1",
    "/bench?wrench=nothing",
    "/wrenches",
    "/wrenches/TW-1",
    "/wrenches/nothing",
    "/coverage",
    "/fit",
    "/fit?torque=40",
    "/range",
)


class Tags(HTMLParser):
    """Every tag with its attributes, and what stands inside scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripted = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1][0] in {"script", "style"}:
            self.scripted += data.strip()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_forbids_what_it_does_not_need(client: TestClient[Any], path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-type"] == "text/html; charset=utf-8"
    assert headers["content-security-policy"] == (
        "default-src 'none'; script-src 'self'; worker-src 'self'; style-src 'self'; "
        "img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; "
        "base-uri 'none'"
    )
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cache-control"] == "private, no-cache"


@pytest.mark.parametrize("path", PAGES)
def test_a_page_holds_nothing_inline_and_loads_what_is_served_here(
    client: TestClient[Any], path: str
) -> None:
    page = Tags(client.get(path).text)
    assert page.scripted == ""
    loaded = [
        attributes.get("src") or attributes["href"]
        for tag, attributes in page.tags
        if tag in {"script", "link"}
    ]
    drawn = [attributes["src"] for tag, attributes in page.tags if tag == "img"]
    assert all(str(address).startswith("/v1/") for address in drawn)
    assert len(loaded) >= 3
    for tag, attributes in page.tags:
        assert tag != "style"
        assert not [name for name in attributes if name == "style" or name.startswith("on")]
    for address in loaded:
        assert address is not None
        assert address.startswith("/static/")
        asset = client.get(address)
        assert asset.status_code == 200
        assert asset.headers["cache-control"] == "public, max-age=31536000, immutable"
        assert asset.headers["content-security-policy"].startswith("default-src 'none'")
        for fellow in re.findall(r'from "\./([^"]+)"', asset.text):
            assert client.get(address.rpartition("/")[0] + "/" + fellow).status_code == 200


def test_an_asset_has_one_address(client: TestClient[Any]) -> None:
    assert_problem(client.get("/static/000000000000/sheet.css"), "no-such-path")
    address = re.findall(r'href="([^"]+\.css)"', client.get("/").text)[0]
    assert_problem(client.get(address.replace("sheet.css", "site.py")), "no-such-path")


def test_a_page_that_cannot_be_shown_says_so_in_words(client: TestClient[Any]) -> None:
    answer = client.get("/board?page=none")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert answer.headers["cache-control"] == "no-store"
    assert "<h1>The request does not have the form described</h1>" in answer.text
    assert 'href="/problems/invalid-request"' in answer.text


def test_a_page_without_its_store_says_what_to_do() -> None:
    class NoStore:
        def stamp(self) -> None:
            return None

        def access_token(self, _: str) -> Any:
            raise StoreBusy(10)

        def token_row(self, _: str) -> Any:
            raise StoreBusy(10)

    store: Any = NoStore()
    app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
    with visiting(app) as failing:
        answer = failing.get("/bench", headers=UNKNOWN)
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert "<h1>The store is busy</h1>" in answer.text
    assert "Readings that are not yet saved stay in this browser" in answer.text


HOSTILE = "<script>alert(1)</script>"


def test_what_somebody_typed_is_shown_and_never_run(client: TestClient[Any]) -> None:
    page = client.get("/bench", params={"wrench": HOSTILE}).text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert HOSTILE not in page


def test_what_is_on_record_is_shown_and_never_run(client: TestClient[Any]) -> None:
    tag = client.get("/v1/wrenches/TW-1").headers["etag"]
    for changes in (
        {"model": HOSTILE},
        {"service": {"status": "out_of_service", "reason": HOSTILE}},
    ):
        answer = client.patch("/v1/wrenches/TW-1", json=changes, headers={"If-Match": tag})
        assert answer.status_code == 200, answer.text
        tag = answer.headers["etag"]
    sent = client.post(CHECKS, json=a_check_body(operator=HOSTILE), headers=key())
    assert sent.status_code == 201
    for path in ("/bench?wrench=TW-1", "/wrenches/TW-1", f"/bench/checks/TW-1/{sent.json()['id']}"):
        page = client.get(path).text
        assert HOSTILE not in page
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site", "Origin": "https://elsewhere.example"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": f"http://{OWN_HOST}:8000"},
    ],
)
def test_no_other_site_can_have_a_check_recorded(
    client: TestClient[Any], headers: dict[str, str]
) -> None:
    sent = client.post(CHECKS, json=a_check_body(), headers=key() | headers)
    assert sent.status_code == 403
    assert_problem(sent, "cross-site-request")
    assert client.get(CHECKS).json()["items"] == []
    assert client.get("/bench", headers=headers).status_code == 200  # reading is free


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Sec-Fetch-Site": "same-origin", "Origin": f"http://{OWN_HOST}"},
        {"Origin": f"http://{OWN_HOST}"},  # over plain HTTP a browser sends no Sec-Fetch-Site
    ],
)
def test_own_pages_and_programs_can(client: TestClient[Any], headers: dict[str, str]) -> None:
    assert client.base_url.host == OWN_HOST
    assert client.post(CHECKS, json=a_check_body(), headers=key() | headers).status_code == 201
