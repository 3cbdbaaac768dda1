"""The charts of the range study show on their page."""

from playwright.sync_api import Page, expect


def test_every_chart_is_drawn(page: Page) -> None:
    page.goto("/range")
    # The page comes by itself once the study is worked out.
    expect(page.locator(".chart img")).to_have_count(3, timeout=120_000)
    page.wait_for_load_state("load")
    widths = page.locator(".chart img").evaluate_all("all => all.map(each => each.naturalWidth)")
    assert all(width > 100 for width in widths)
