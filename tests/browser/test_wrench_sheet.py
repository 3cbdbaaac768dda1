"""The sheet of a wrench in a browser: it prints on one page, and its charts are seen."""

import re
import struct
import zlib
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from small_shop import WOE


def open_sheet(page: Page, serial: str) -> None:
    """It comes by itself once the forecasts are there, and its charts after it."""
    page.goto(f"/wrenches/{serial}")
    expect(page.locator(".drawn img")).to_have_count(3, timeout=120_000)
    page.wait_for_load_state("networkidle")


@pytest.mark.parametrize("serial", ["OLD-1", WOE])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_sheet_prints_on_one_page(page: Page, serial: str, paper: str) -> None:
    """Also where everything speaks against the wrench: then the gravest reasons stand there."""
    open_sheet(page, serial)
    printed = page.pdf(format=paper)
    counts = [int(count) for count in re.findall(rb"/Count (\d+)", printed)]
    assert counts == [1]


def test_its_charts_are_drawn_and_nothing_is_blocked(page: Page) -> None:
    """The fixture fails the test for whatever the console complains of."""
    open_sheet(page, "OK-1")
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


def test_reasons_beyond_the_first_are_folded(page: Page) -> None:
    open_sheet(page, WOE)
    rest = page.locator(".rest li")
    assert rest.count() >= 2
    assert not rest.first.is_visible()
    page.get_by_text(re.compile(r"^And \d+ reasons more")).click()
    assert rest.first.is_visible()


@pytest.mark.parametrize(
    ("media", "scheme", "expected"),
    [("screen", "light", 255), ("screen", "dark", 56), ("print", "dark", 255)],
)
def test_charts_are_dark_on_a_dark_screen_and_never_on_paper(
    page: Page, media: Any, scheme: Any, expected: int
) -> None:
    """The blue of the corner of the drawing, which is background."""
    page.emulate_media(media=media, color_scheme=scheme)
    open_sheet(page, "OK-1")
    shot = page.locator(".drawn img").first.screenshot()
    assert pixel(shot, 6, 6)[2] == expected


def pixel(png: bytes, x: int, y: int) -> tuple[int, ...]:
    """Of an eight-bit picture of three or four channels."""
    width, _, depth, kind = struct.unpack(">IIBB", png[16:26])
    channels = {2: 3, 6: 4}[kind]
    assert depth == 8
    data, at = b"", 8
    while at < len(png):
        (size,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + size]
        at += 12 + size
    raw, stride = zlib.decompress(data), width * channels + 1
    before = bytearray(stride - 1)
    for row in range(y + 1):
        line = bytearray(raw[row * stride + 1 : (row + 1) * stride])
        for i in range(len(line)):
            left = line[i - channels] if i >= channels else 0
            corner = before[i - channels] if i >= channels else 0
            line[i] = (line[i] + _predicted(raw[row * stride], left, before[i], corner)) % 256
        before = line
    return tuple(before[x * channels : x * channels + channels])


def _predicted(kind: int, left: int, above: int, corner: int) -> int:
    """Filters of PNG: ISO/IEC 15948, 9.2 (from memory)."""
    if kind == 4:
        guess = left + above - corner
        return min((left, above, corner), key=lambda each: abs(guess - each))
    return (0, left, above, (left + above) // 2)[kind]
