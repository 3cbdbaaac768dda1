"""A chart as its specification, as SVG or as PNG; nothing is fetched from anywhere."""

import json
import re
from collections.abc import Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from service.charts.theme import Look, night_rules

if TYPE_CHECKING:
    import altair

_IDENTITY: Final = re.compile(r"\bclip\d+\b")
_PNG_SCALE: Final = 2.0  # readable on paper and on a dense screen


class ChartFormat(StrEnum):
    JSON = "json"
    SVG = "svg"
    PNG = "png"


MEDIA_TYPES: Final[Mapping[ChartFormat, str]] = {
    ChartFormat.SVG: "image/svg+xml",
    ChartFormat.PNG: "image/png",
    ChartFormat.JSON: "application/json",
}


def specification(chart: "altair.TopLevelMixin") -> dict[str, Any]:
    """The Vega-Lite specification, its data inside."""
    found: dict[str, Any] = chart.to_dict()
    return found


def rendered(chart: "altair.TopLevelMixin", form: ChartFormat, look: Look = Look.PAPER) -> bytes:
    """The chart in a format, the same bytes for the same chart; only an SVG has a look."""
    spec = specification(chart)
    if form is ChartFormat.JSON:
        return json.dumps(spec, ensure_ascii=False, separators=(",", ":")).encode()
    import vl_convert  # 90 MB once loaded

    # No base address is allowed, so a specification cannot make it ask the network.
    if form is ChartFormat.SVG:
        svg = _renumbered(str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])))
        return (_dark_at_night(svg) if look is Look.SCREEN else svg).encode()
    return bytes(vl_convert.vegalite_to_png(spec, scale=_PNG_SCALE, allowed_base_urls=[]))


def _renumbered(svg: str) -> str:
    """Identities counted from 0: drawing counts them through the process's whole life."""
    numbers: dict[str, int] = {}
    return _IDENTITY.sub(lambda found: f"clip-{numbers.setdefault(found[0], len(numbers))}", svg)


def _dark_at_night(svg: str) -> str:
    begin = svg.index(">", svg.index("<svg")) + 1
    return svg[:begin] + night_rules() + svg[begin:]
