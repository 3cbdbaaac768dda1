"""The drift of one wrench over time, a panel for each target: level, forecast, limits, events.

The axis runs downwards, so that what delivers low lies low; its numbers keep the sign of ISO 6789.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from analysis.drift import Drift, PlotLine
from analysis.numerals import counted
from service.charts import theme
from service.charts.axes import inline
from service.frames import number_of_date
from service.records import Policy, Wrench
from service.wording import torque_in_words
from service.wrench_sheet import SheetPlace, WrenchAnalysis
from service.wrench_wording import drift_in_words

if TYPE_CHECKING:
    import altair

_HEIGHT: Final = 130
_BELOW_LIMIT: Final = 12  # where names of events begin, clear of the upper limit
_GAP: Final = 18
_LABELS: Final = 34  # of the axis, left of the first panel
_MOST_PANELS: Final = 3
_ROOM: Final = 1.12
_PANEL_WIDTH: Final = 170  # at least
_MARGIN: Final = 30.0  # days, so that no point lies on the edge
_MS_PER_DAY: Final = 86_400_000
_READING_OPACITY: Final = 0.1
_DUE_DASH: Final = (6, 3)
_JUMP_DASH: Final = (1, 2)


def drift_chart(
    wrench: Wrench, found: WrenchAnalysis, policy: Policy, *, width: float = theme.WIDTH
) -> "altair.TopLevelMixin":
    """The panels, side by side where there is room for them."""
    import altair as alt

    places = _shown(found, policy)
    columns = min(len(places), max(1, int(width // (_PANEL_WIDTH + _GAP))))
    panel_width = (width - _GAP * (columns - 1)) / columns - _LABELS
    top = _ROOM * max(
        max(place.mpd_pct for place in places),
        max((abs(point.deviation_pct) for point in found.drift.points), default=0.0),
    )
    panels = [
        _panel(wrench, found, place, top, panel_width, titled=number % columns == 0)
        for number, place in enumerate(places)
    ]
    return alt.concat(*panels, columns=columns, spacing=_GAP).properties(
        title=theme.titled(drift_in_words(wrench, found), _caption(found), width=width),
        config=theme.configured(),
    )


def _shown(found: WrenchAnalysis, policy: Policy) -> list[SheetPlace]:
    """The targets of the shop's plan; where the wrench cannot hold these, the first it has."""
    planned = [
        place
        for place in found.places
        if any(abs(place.drift.x - x) < 1e-6 for x in policy.plan_targets)
    ]
    return (planned or list(found.places))[:_MOST_PANELS]


def _panel(
    wrench: Wrench,
    found: WrenchAnalysis,
    place: SheetPlace,
    top: float,
    width: float,
    *,
    titled: bool,
) -> "altair.LayerChart | altair.FacetChart":
    import altair as alt

    colour, drift = theme.COLOURS[wrench.mechanism], found.drift
    line = min(drift.lines, key=lambda each: abs(each.x - place.drift.x))
    last = _at(max(line.day[-1], number_of_date(found.due_on)) + _MARGIN)
    x = alt.X(
        "at:T",
        title=None,
        scale=alt.Scale(type="utc", nice=False, domain=[_at(line.day[0] - _MARGIN), last]),
        axis=alt.Axis(grid=False, tickCount={"interval": "year", "step": 1}, format="%Y"),
    )
    scale = alt.Scale(domain=[-top, top], nice=False, reverse=True)
    y = alt.Y(
        "pct:Q",
        title="low  ←  %  →  high" if titled else None,
        scale=scale,
        axis=alt.Axis(tickCount=5),
    )
    over_time = alt.Chart(inline(_rows(line)))
    measured = alt.Chart(inline(_points(drift, place.drift.x)))
    limits = alt.Chart(inline([{"pct": place.mpd_pct}, {"pct": -place.mpd_pct}]))
    events = alt.Chart(inline(_events(found)))
    band: dict[str, Any] = {"color": colour, "clip": True}
    layers = [
        over_time.mark_area(opacity=_READING_OPACITY, **band).encode(
            x, alt.Y("reading_lower:Q", scale=scale), alt.Y2("reading_upper:Q")
        ),
        over_time.mark_area(opacity=0.25, **band).encode(x, alt.Y("lower:Q"), alt.Y2("upper:Q")),
        limits.mark_rule(color=theme.MARK, strokeWidth=1.5).encode(y=y),
        *(
            events.transform_filter(f"datum.kind == '{kind}'")
            .mark_rule(color=theme.MARK, strokeWidth=1.2, strokeDash=list(dash))
            .encode(x)
            for kind, dash in _DASHES.items()
        ),
        events.mark_text(
            align="right", baseline="bottom", angle=270, dx=-3, dy=-3, fontSize=10
        ).encode(x, text="kind:N", y=alt.value(_BELOW_LIMIT)),
        over_time.mark_line(strokeWidth=1.8, **band).encode(x, y),
        measured.mark_point(
            size=38, filled=True, opacity=1, color=colour, shape=theme.SHAPES[wrench.mechanism]
        ).encode(x, y),
    ]
    return alt.layer(*layers).properties(
        width=width,
        height=_HEIGHT,
        title={
            "text": f"at {torque_in_words(place.torque)}",
            "anchor": "start",
            "fontSize": 12.5,
            "offset": 6,
            "frame": "bounds",
        },
    )


_DASHES: Final = {"adjusted": (1, 0), "jump": _JUMP_DASH, "due": _DUE_DASH}


def _at(day: float) -> int:
    return round(day * _MS_PER_DAY)


def _rows(line: PlotLine) -> list[dict[str, Any]]:
    columns = zip(
        line.day,
        line.deviation_pct,
        line.lower_pct,
        line.upper_pct,
        line.reading_lower_pct,
        line.reading_upper_pct,
        strict=True,
    )
    names = ("at", "pct", "lower", "upper", "reading_lower", "reading_upper")
    return [dict(zip(names, (_at(day), *values), strict=True)) for day, *values in columns]


def _points(drift: Drift, x: float) -> list[dict[str, Any]]:
    return [
        {"at": _at(point.day), "pct": point.deviation_pct}
        for point in drift.points
        if abs(point.x - x) < 1e-6
    ]


def _events(found: WrenchAnalysis) -> list[dict[str, Any]]:
    return list(_dated(found))


def _dated(found: WrenchAnalysis) -> Iterator[dict[str, Any]]:
    for segment in found.drift.segments:
        if segment.begun_by == "adjustment":
            yield {"at": _at(segment.begin_day), "kind": "adjusted"}
    for jump in found.drift.jumps:
        yield {"at": _at(sum(jump.between_days) / 2), "kind": "jump"}
    yield {"at": _at(number_of_date(found.due_on)), "kind": "due"}


def _caption(found: WrenchAnalysis) -> str:
    rests = found.drift.evidence
    return (
        f"Points: mean deviation of a check, % of reading ({counted(rests.checks, 'check')}, "
        f"{counted(rests.readings, 'reading')}). Line: level; dark band: where it lies with 95 %; "
        "light band: 95 % of single readings. Heavy lines: limit."
    )
