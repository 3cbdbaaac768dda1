"""The charts of the range study show on their page."""

from playwright.sync_api import Page


def test_every_chart_is_drawn(page: Page) -> None:
    page.goto("/range", wait_until="load", timeout=120_000)
    widths = page.locator(".chart img").evaluate_all("all => all.map(each => each.naturalWidth)")
    assert len(widths) == 3
    assert all(width > 100 for width in widths)
