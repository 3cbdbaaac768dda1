"""Capability (Ppk) of as-found readings along the range, a panel for each kind of wrench."""

from typing import TYPE_CHECKING, Any, Final

from analysis.numerals import counted, number
from analysis.range_study import MechanismStudy, RangeStudy
from analysis.trust_floor import TrustFloor
from analysis.vocabulary import Direction
from service.charts import theme
from service.charts.axes import by_mechanism, empty_frame, inline, mark_of_trade, x_of_range
from service.range_floors import where_in_words
from service.range_wording import way

if TYPE_CHECKING:
    import altair

_GAP: Final = 26
_ROOM: Final = 1.1
_LEAST: Final = 1.5
_MOST: Final = 3.0  # a Ppk beyond it says nothing more


def capability_chart(study: RangeStudy, direction: Direction) -> "altair.TopLevelMixin":
    """The panels in one direction; without enough evidence an empty frame whose title says so."""
    import altair as alt

    shown = [each for each in study.mechanisms if each.direction is direction and each.capability]
    title = theme.titled(_title(shown, study), _caption(shown, study, direction))
    if not shown:
        return empty_frame(title)
    width = (theme.WIDTH - _GAP * (len(shown) - 1)) / min(len(shown), 2)
    lowest = min(100 * each.capability[0].x for each in shown)
    highest = max(place.ppk_upper for each in shown for place in each.capability)
    top = min(max(_ROOM * highest, _LEAST), _MOST)
    panels = [_panel(each, study, lowest, top, width) for each in shown]
    return alt.concat(*panels, columns=2, spacing=_GAP).properties(
        title=title, config=theme.configured()
    )


def _panel(
    each: MechanismStudy, study: RangeStudy, lowest: float, top: float, width: float
) -> "altair.LayerChart | altair.FacetChart":
    import altair as alt

    kinds = by_mechanism()
    rows: list[dict[str, Any]] = [
        {
            "mechanism": each.mechanism.value,
            "x": 100 * place.x,
            "ppk": place.ppk,
            "lower": place.ppk_lower,
            "upper": place.ppk_upper,
        }
        for place in each.capability
    ]
    x = x_of_range(min(lowest, 100 * study.rules.low_mark))
    scale = alt.Scale(domain=[0, top], nice=False)
    y = alt.Y("ppk:Q", title="Ppk of pulls as found", scale=scale, axis=alt.Axis(tickCount=6))
    curve = alt.Chart(inline(rows))
    aim = alt.Chart(inline([{"aim": study.rules.ppk_aimed_at, "name": "aim"}]))
    layers = [
        curve.mark_area(opacity=theme.BAND_OPACITY, clip=True).encode(
            x, alt.Y("lower:Q"), alt.Y2("upper:Q"), kinds["color"]
        ),
        mark_of_trade(100 * study.rules.low_mark),
        aim.mark_rule(color=theme.MARK, strokeWidth=1.2).encode(y="aim:Q"),
        aim.mark_text(align="left", dx=3, dy=-3, baseline="bottom").encode(
            x=alt.value(0), y="aim:Q", text="name:N"
        ),
        curve.mark_line(strokeWidth=2, clip=True).encode(x, y, kinds["color"], kinds["strokeDash"]),
    ]
    name = (
        f"{each.mechanism.value}: {counted(each.wrenches, 'wrench')}, "
        f"{counted(each.checks, 'check')}"
    )
    return alt.layer(*layers).properties(
        width=width,
        height=190,
        title={
            "text": name,
            "anchor": "start",
            "fontSize": 12.5,
            "color": theme.COLOURS[each.mechanism],
            "offset": 6,
        },
    )


def _title(shown: list[MechanismStudy], study: RangeStudy) -> str:
    if not shown:
        return (
            "Too little data: nobody can say yet how capable these wrenches are along their range"
        )
    first = shown[0]
    floor = first.floor_by_capability
    who = f"{first.mechanism.value.capitalize()} wrenches"
    aim = number(study.rules.ppk_aimed_at)
    if not isinstance(floor, TrustFloor):
        return f"{who} along their range: capability against the shop's limits"
    return f"{who} meet a Ppk of {aim} {where_in_words(floor)}"


def _caption(shown: list[MechanismStudy], study: RangeStudy, direction: Direction) -> str:
    if not shown:
        return f"Capability as found, {way(direction)}; see the claims for what would do."
    return (
        f"Capability of pulls as found, {way(direction)}, against the narrowest limit of each kind;"
        f" lines with 95 % bands. Aim: Ppk {number(study.rules.ppk_aimed_at)}, the limit three "
        "standard deviations away."
    )
