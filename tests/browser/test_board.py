"""The board comes by itself, leads to sheet and bench, and is filtered without a script."""

import re

from playwright.sync_api import Browser, Page, StorageState, expect

# How many are overdue hangs on what other tests have recorded by then.
_OVERDUE = re.compile(r"(\d+) wrench(?: is|es are) overdue\.")


def test_the_board_comes_by_itself_and_leads_to_sheet_and_bench(page: Page) -> None:
    page.goto("/board")
    first = page.locator(".fleet li").first
    expect(first).to_contain_text("OLD-1", timeout=60_000)
    expect(page.locator(".glance")).to_contain_text(_OVERDUE)
    first.get_by_role("link", name="OLD-1", exact=True).click()
    expect(page.locator("h1")).to_contain_text("OLD-1")
    page.go_back()
    first.get_by_role("link", name="Check\N{NO-BREAK SPACE}it").click()
    expect(page.locator("#r0-0")).to_be_focused()


def test_filters_need_no_script(chromium: Browser, service: str, session: StorageState) -> None:
    context = chromium.new_context(
        base_url=service, storage_state=session, java_script_enabled=False
    )
    page = context.new_page()
    page.goto("/board")
    while not page.locator(".fleet").count():
        expect(page.get_by_role("link", name="Look again")).to_be_visible()
        page.goto("/board")
    page.get_by_label("Due within").select_option("overdue")
    page.get_by_role("button", name="List").click()
    page.wait_for_url("**/board?*within=0*")
    overdue = _OVERDUE.search(page.locator(".glance").inner_text())
    assert overdue
    expect(page.locator(".fleet li")).to_have_count(int(overdue[1]))
    expect(page.locator(".fleet li .due.over")).to_have_count(int(overdue[1]))
    expect(page.locator(".fleet li").first).to_contain_text("OLD-1")
    page.get_by_label("Due within").select_option("all")
    page.get_by_role("button", name="List").click()
    expect(page.locator(".fleet li .due:not(.over)").first).to_be_visible()
    context.close()
