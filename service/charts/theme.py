"""The look of every chart: colours, shapes, dashes, type, and nothing of them anywhere else.

Each kind of wrench has a colour, a shape and a dash of its own, so that a chart can be read without
colours. Colours stand out from the background by 4.5 to 1 or more (WCAG 2.2, success criteria 1.4.3
and 1.4.11); a test holds that.
"""

import textwrap
from collections.abc import Mapping
from enum import StrEnum
from typing import Any, Final

from analysis.vocabulary import Mechanism

BACKGROUND: Final = "#ffffff"
INK: Final = "#22262b"
QUIET: Final = "#586069"  # captions, axes
GRID: Final = "#e8e9eb"
MARK: Final = "#22262b"  # the trade's mark, the aim
# Metrics of Arial, which the drawing carries itself; the others where that is missing. The last
# one's usual stand-in is a sixth wider, and words would leave the drawing.
FONT: Final = "Liberation Sans, Arial, Helvetica, Roboto, DejaVu Sans Condensed, sans-serif"

COLOURS: Final[Mapping[Mechanism, str]] = {
    Mechanism.SPRING: "#a8410f",
    Mechanism.ELECTRONIC: "#12617f",
    Mechanism.BEAM: "#6a4299",
    Mechanism.DIAL: "#4f6b13",
}
# What each colour becomes on a dark screen, where the background is that of the dark page.
AT_NIGHT: Final[Mapping[str, str]] = {
    BACKGROUND: "#0c2238",
    INK: "#e8eff6",
    QUIET: "#b3c4d6",
    GRID: "#24425f",
    COLOURS[Mechanism.SPRING]: "#ff9e73",
    COLOURS[Mechanism.ELECTRONIC]: "#7fd0f0",
    COLOURS[Mechanism.BEAM]: "#c9a9ff",
    COLOURS[Mechanism.DIAL]: "#b6d66b",
}
SHAPES: Final[Mapping[Mechanism, str]] = {
    Mechanism.SPRING: "triangle-up",
    Mechanism.ELECTRONIC: "circle",
    Mechanism.BEAM: "square",
    Mechanism.DIAL: "diamond",
}
DASHES: Final[Mapping[Mechanism, tuple[int, ...]]] = {
    Mechanism.SPRING: (1, 0),
    Mechanism.ELECTRONIC: (7, 3),
    Mechanism.BEAM: (2, 2),
    Mechanism.DIAL: (9, 3, 2, 3),
}
MARK_DASH: Final = (4, 4)
BAND_OPACITY: Final = 0.16

WIDTH: Final = 640
HEIGHT: Final = 330
_TITLE_COLUMNS: Final = 78
_CAPTION_COLUMNS: Final = 112


class Look(StrEnum):
    """Where a drawing is read: on paper it is always light, a screen may be dark."""

    PAPER = "paper"
    SCREEN = "screen"


def night_rules() -> str:
    """A style sheet for an SVG: by night where the reader asks for dark, on paper as it is."""
    rules = "".join(
        f'[{part}="{by_day}"]{{{part}:{by_night}}}'
        for by_day, by_night in AT_NIGHT.items()
        for part in ("fill", "stroke")
    )
    return f"<style>@media screen and (prefers-color-scheme:dark){{{rules}}}</style>"


def titled(title: str, caption: str, *, width: float = WIDTH) -> dict[str, Any]:
    """The finding as title, and under it what is drawn and on how many wrenches and checks.

    width   of the drawing, which its title is broken to fit
    """
    share = width / WIDTH
    return {
        "text": _lines(title, round(_TITLE_COLUMNS * share)),
        "subtitle": _lines(caption, round(_CAPTION_COLUMNS * share)),
        "anchor": "start",
        "frame": "group",
        "offset": 14,
    }


def _lines(text: str, columns: int) -> list[str]:
    # A percent sign stays with its number.
    return textwrap.wrap(text.replace(" %", "\N{NO-BREAK SPACE}%"), columns)


def configured() -> dict[str, Any]:
    """The configuration that every chart carries."""
    return {
        "background": BACKGROUND,
        "font": FONT,
        "padding": 14,
        "title": {
            "color": INK,
            "fontSize": 15,
            "fontWeight": "bold",
            "lineHeight": 19,
            "subtitleColor": QUIET,
            "subtitleFontSize": 11.5,
            "subtitleLineHeight": 15,
            "subtitlePadding": 5,
        },
        "axis": {
            "labelColor": INK,
            "labelFontSize": 11.5,
            "titleColor": INK,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "titlePadding": 8,
            "gridColor": GRID,
            "domainColor": QUIET,
            "tickColor": QUIET,
        },
        "header": {"labelColor": INK, "labelFontSize": 12, "labelFontWeight": "bold"},
        "view": {"stroke": None},
        "text": {"color": INK, "fontSize": 11.5},
    }
