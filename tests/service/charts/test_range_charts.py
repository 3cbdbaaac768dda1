"""Charts of the range study: what they draw, what they say, and that they can be read."""

import json
import re
import struct
from xml.etree import ElementTree

import pytest
from sample_records import a_wrench
from sample_study import (
    a_claim,
    a_floor,
    a_mechanism,
    a_scatter,
    a_study,
    a_window,
    an_open_claim,
    an_unanswered_claim,
    estimate,
)

from analysis.range_bands import PlaceStudy
from analysis.range_claim import Subject, Verdict
from analysis.range_study import CurvePlace, RangeStudy
from analysis.trust_floor import CapabilityPlace
from analysis.vocabulary import Direction, Mechanism
from service.charts import theme
from service.charts.range_capability import capability_chart
from service.charts.range_floors import floors_chart
from service.charts.range_scatter import scatter_chart
from service.charts.render import ChartFormat, rendered, specification

CW = Direction.CLOCKWISE
SVG = "{http://www.w3.org/2000/svg}"


def a_measured(mechanism: Mechanism, sd: float) -> object:
    return a_mechanism(
        mechanism=mechanism,
        scatter=a_scatter(),
        places=tuple(
            PlaceStudy(x, estimate(sd, 0.9 * sd, 1.1 * sd), None, None, 9, 45)
            for x in (0.2, 0.6, 1.0)
        ),
        curve=tuple(
            CurvePlace(x / 50, estimate(sd, 0.9 * sd, 1.1 * sd), None, None) for x in range(10, 51)
        ),
        capability=tuple(
            CapabilityPlace(x / 50, x / 25, x / 30, x / 20, 0.01, 0.0, 0.02) for x in range(10, 51)
        ),
        floor_by_risk=a_floor(0.25, 0.22, 0.3),
        floor_by_capability=a_floor(0.4, 0.35, 0.5),
    )


STUDY: RangeStudy = a_study(
    a_measured(Mechanism.SPRING, 1.0),  # type: ignore[arg-type]
    a_measured(Mechanism.ELECTRONIC, 0.2),  # type: ignore[arg-type]
    claims=(
        a_claim(subject=Subject.BOTTOM_SCATTERS_MORE),
        a_claim(
            subject=Subject.BOTTOM_SCATTERS_MORE,
            mechanism=Mechanism.ELECTRONIC,
            verdict=Verdict.NOT_CONFIRMED,
            ratio=estimate(1.04, 0.95, 1.14),
        ),
    ),
)
WRENCHES = {
    "SP-1": a_wrench("SP-1"),
    "SP-2": a_wrench("SP-2"),
    "SP-3": a_wrench("SP-3"),
    "EL-1": a_wrench("EL-1", mechanism=Mechanism.ELECTRONIC),
}
WINDOWS = (
    a_window(),
    a_window(wrench="SP-2", lowest=0.2, floor_lower=0.2, floor_upper=0.2),
    a_window(wrench="SP-3", lowest=None, highest=None, floor_lower=None, floor_upper=None),
    a_window(wrench="EL-1", lowest=0.2, floor_lower=0.2, floor_upper=None),
    a_window(wrench="SP-1", direction=Direction.COUNTER_CLOCKWISE, lowest=0.9),
)


def title(chart: object) -> str:
    return " ".join(specification(chart)["title"]["text"]).replace("\xa0", " ")  # type: ignore[arg-type]


def caption(chart: object) -> str:
    return " ".join(specification(chart)["title"]["subtitle"]).replace("\xa0", " ")  # type: ignore[arg-type]


def rows(chart: object, *keys: str) -> list[dict[str, object]]:
    """Every row drawn that has these keys."""
    datasets = specification(chart)["datasets"].values()  # type: ignore[arg-type]
    return [row for data in datasets for row in data if set(keys) <= set(row)]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("colour", [theme.INK, theme.QUIET, theme.MARK, *theme.COLOURS.values()])
def test_every_colour_of_text_and_lines_stands_out(colour: str) -> None:
    """At least 4.5 to 1: WCAG 2.2, success criterion 1.4.3."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21)  # the definition's largest
    assert contrast(colour, theme.BACKGROUND) >= 4.5


def test_every_colour_stands_out_by_night_as_well() -> None:
    """At least 4.5 to 1, and no colour of the day is left out; the grid alone may be faint."""
    assert set(theme.AT_NIGHT) == {
        *(theme.BACKGROUND, theme.INK, theme.QUIET, theme.MARK, theme.GRID),
        *theme.COLOURS.values(),
    }
    background = theme.AT_NIGHT[theme.BACKGROUND]
    for by_day, by_night in theme.AT_NIGHT.items():
        if by_day not in (theme.BACKGROUND, theme.GRID):
            assert contrast(by_night, background) >= 4.5


def test_a_drawing_for_the_screen_has_a_night_for_each_of_its_colours() -> None:
    paper = rendered(scatter_chart(STUDY, CW), ChartFormat.SVG).decode()
    screen = rendered(scatter_chart(STUDY, CW), ChartFormat.SVG, theme.Look.SCREEN).decode()
    assert "<style>" not in paper
    assert screen.replace(theme.night_rules(), "") == paper
    drawn = set(re.findall(r'(?:fill|stroke)="(#[0-9a-fA-F]+)"', paper))
    assert drawn <= set(theme.AT_NIGHT)
    assert not set(re.findall(r'(?:fill|stroke)="([a-z]+)"', paper)) - {"none", "transparent"}


def test_kinds_are_told_apart_without_colour() -> None:
    for looks in (theme.COLOURS, theme.SHAPES, theme.DASHES):
        assert set(looks) == set(Mechanism)
        assert len(set(looks.values())) == len(Mechanism)


def test_a_title_says_the_finding_and_a_caption_what_it_rests_on() -> None:
    chart = scatter_chart(STUDY, CW)
    assert title(chart) == (
        "Spring wrenches scatter 2.59 times as much at 20 % as at full scale; electronic wrenches "
        "scatter there no more than matters (1.04 times)"
    )
    assert "9 spring wrenches in 30 checks; 9 electronic wrenches in 30 checks" in caption(chart)
    assert "95 % intervals" in caption(chart)


@pytest.mark.parametrize(
    ("claim", "words"),
    [
        (an_open_claim(None), "Spring wrenches scatter 1.08 times as much, which leaves it open"),
        (an_unanswered_claim(), "Too little data about spring wrenches"),
    ],
)
def test_a_title_does_not_say_more_than_the_verdict(claim: object, words: str) -> None:
    from dataclasses import replace

    asked = replace(claim, subject=Subject.BOTTOM_SCATTERS_MORE)  # type: ignore[type-var]
    assert title(scatter_chart(a_study(a_mechanism(), claims=(asked,)), CW)) == words


def test_spring_and_electronic_are_drawn_in_one_picture_with_measured_and_fitted() -> None:
    chart = scatter_chart(STUDY, CW)
    layers = specification(chart)["layer"]
    marks = [layer["mark"]["type"] for layer in layers if "mark" in layer]
    assert {"area", "line", "rule", "point", "text"} <= set(marks)
    assert {row["name"] for row in rows(chart, "name")} == {
        "spring wrenches",
        "electronic wrenches",
        "the trade's 20 % mark",
    }
    assert {row["rests"] for row in rows(chart, "rests")} == {"n 9"}


def test_capability_has_a_panel_for_each_kind_and_names_where_the_aim_is_met() -> None:
    chart = capability_chart(STUDY, CW)
    panels = specification(chart)["concat"]
    assert [panel["title"]["text"] for panel in panels] == [
        "spring: 1 wrench, 1 check",
        "electronic: 1 wrench, 1 check",
    ]
    assert title(chart) == (
        "Spring wrenches meet a Ppk of 1 from 40 % of full scale on (95 % interval 35 % to 50 %)"
    )


def test_a_funnel_shows_each_wrench_of_the_direction_and_those_trusted_nowhere() -> None:
    chart = floors_chart(STUDY, WINDOWS, WRENCHES, CW)
    spring, electronic = specification(chart)["concat"]
    assert spring["title"]["text"] == "spring: 3 wrenches"
    assert electronic["title"]["text"] == "electronic: 1 wrench"
    assert {row["label"] for row in rows(chart, "label")} == {"SP-1", "SP-3: nowhere", ""}
    assert title(chart) == (
        "Of 3 spring wrenches, 2 are to be trusted only from above 20 % of full scale, 1 all the "
        "way down to the lowest mark"
    )


def test_wrenches_with_as_many_checks_do_not_hide_each_other() -> None:
    drawn = rows(floors_chart(STUDY, WINDOWS, WRENCHES, CW), "at")
    assert len({row["at"] for row in drawn if row["mechanism"] == "spring"}) == 3


@pytest.mark.parametrize(
    "draw",
    [
        lambda study: scatter_chart(study, CW),
        lambda study: capability_chart(study, CW),
        lambda study: floors_chart(study, (), {}, CW),
    ],
    ids=["scatter", "capability", "trust floor"],
)
def test_a_shop_without_checks_gets_a_frame_that_says_so(draw: object) -> None:
    chart = draw(a_study())  # type: ignore[operator]
    assert any(word in title(chart) for word in ("yet", "Too little data"))
    assert rendered(chart, ChartFormat.SVG).startswith(b"<svg")


@pytest.mark.parametrize(
    "draw",
    [
        lambda: scatter_chart(STUDY, CW),
        lambda: capability_chart(STUDY, CW),
        lambda: floors_chart(STUDY, WINDOWS, WRENCHES, CW),
    ],
    ids=["scatter", "capability", "trust floor"],
)
def test_a_chart_comes_in_three_formats_the_same_each_time(draw: object) -> None:
    chart = draw()  # type: ignore[operator]
    spec = json.loads(rendered(chart, ChartFormat.JSON))
    assert "vega-lite/v6" in spec["$schema"]
    svg, again = (rendered(chart, ChartFormat.SVG) for _ in range(2))
    assert svg == again
    root = ElementTree.fromstring(svg)  # noqa: S314 - drawn by ourselves
    assert root.tag == f"{SVG}svg"
    texts = {element.text for element in root.iter(f"{SVG}text")}
    assert None not in texts or len(texts) > 1
    assert not any("undefined" in (text or "") or "NaN" in (text or "") for text in texts)
    # The report's policy allows neither: a style attribute would be dropped, an address refused.
    assert not any("style" in element.attrib for element in root.iter())
    assert b"http" not in svg.replace(b"http://www.w3.org/", b"")
    png = rendered(chart, ChartFormat.PNG)
    assert png[:8] == b"\x89PNG\r\n\x1a\n"  # PNG (ISO/IEC 15948), 5.2
    width, height = struct.unpack(">II", png[16:24])
    assert width > 1000
    assert height > 500


def test_marks_of_kinds_that_share_a_place_stand_beside_each_other() -> None:
    drawn = rows(scatter_chart(STUDY, CW), "rests")
    at = [round(float(str(row["x"])), 3) for row in drawn]
    assert len(at) == len(set(at)) == 6
