"""The way in with a real browser: a link that is clicked once, and the way out."""

import re
from pathlib import Path

from playwright.sync_api import Browser, expect
from small_shop import NOW

from service.access.admission import make_link
from service.store import LOCAL_SHOP, Store


def test_a_link_signs_in_once_and_its_secret_leaves_no_trace(
    chromium: Browser, service: str, folder: Path, token: str
) -> None:
    with Store.open(folder / "shop.db") as store:
        with store.read(LOCAL_SHOP) as records:
            held = records.tokens.get(token.split("_")[1])
        link = make_link(store, held, NOW).text
    context = chromium.new_context(base_url=service)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"/sign-in#{link}")
    page.wait_for_url(re.compile(r"/$"))
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    assert not [url for url in asked if link in url.partition("#")[0]]
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    page.goto("/bench?wrench=OK-1")
    page.wait_for_url("**/sign-in?next=*")
    page.get_by_label("Access token").fill(token)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/bench?wrench=OK-1")
    page.goto(f"/sign-in#{link}")
    expect(page.get_by_role("alert")).to_contain_text("Not signed in: this link was used already")
    context.close()
