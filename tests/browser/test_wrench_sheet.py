"""The sheet of a wrench in a browser: it prints on one page, and its charts are seen."""

import re

import pytest
from playwright.sync_api import Page


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_sheet_prints_on_one_page(page: Page, paper: str) -> None:
    page.goto("/wrenches/OLD-1")
    page.wait_for_load_state("networkidle")
    printed = page.pdf(format=paper)
    counts = [int(count) for count in re.findall(rb"/Count (\d+)", printed)]
    assert counts == [1]


def test_its_charts_are_drawn_and_nothing_is_blocked(page: Page) -> None:
    """The fixture fails the test for whatever the console complains of."""
    page.goto("/wrenches/OK-1")
    page.wait_for_load_state("networkidle")
    drawn = page.locator(".drawn img").evaluate_all(
        "all => all.map(each => each.complete && each.naturalWidth > 200)"
    )
    assert drawn == [True, True, True]


def test_a_list_of_jobs_is_asked_by_keyboard_alone(page: Page) -> None:
    page.goto("/coverage")
    page.focus("#jobs")
    page.keyboard.press("Control+A")
    page.keyboard.type("job,torque,unit\nsill bolt,60,N.m\n<script>alert(1)</script>,60,N.m\n")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Which wrenches to take')")
    assert page.locator(".matrix tbody th").all_inner_texts() == [
        "sill bolt\n60 N·m clockwise",
        "<script>alert(1)</script>\n60 N·m clockwise",
    ]
