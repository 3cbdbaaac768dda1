"""Where each wrench begins to be trusted, against how many checks that rests on: a funnel."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from analysis.numerals import counted, percent
from analysis.range_study import RangeStudy
from analysis.trust_floor import TrustedWindow, TrustFloor
from analysis.vocabulary import Direction, Mechanism
from service.charts import theme
from service.charts.axes import by_mechanism, empty_frame, inline
from service.range_wording import way
from service.records import Wrench

if TYPE_CHECKING:
    import altair

_SAME: Final = 1e-9
_WIDTH: Final = 307
_BESIDE_PX: Final = 8.0  # between two wrenches with as many checks
_NOWHERE_AT: Final = 0.95  # of the axis
_LATE: Final = 1.1  # times the trade's mark: named, so that somebody looks at them


def floors_chart(
    study: RangeStudy,
    windows: Sequence[TrustedWindow],
    wrenches: Mapping[str, Wrench],
    direction: Direction,
) -> "altair.TopLevelMixin":
    """The panels of one direction, one a kind of wrench.

    wrenches  by serial, every one in `windows`
    """
    import altair as alt

    ours = [window for window in windows if window.direction is direction]
    shown = [each for each in Mechanism if any(wrenches[w.wrench].mechanism is each for w in ours)]
    title = theme.titled(_title(ours, wrenches, study), _caption(ours, study, direction))
    if not ours:
        return empty_frame(title)
    top = _top(ours)
    panels = [
        _panel(
            each,
            [window for window in ours if wrenches[window.wrench].mechanism is each],
            wrenches,
            study,
            direction,
            top,
        )
        for each in shown
    ]
    return alt.concat(*panels, columns=2, spacing=26).properties(
        title=title, config=theme.configured()
    )


def _top(windows: Sequence[TrustedWindow]) -> float:
    """Of the axis: the highest floor, and room above it for those with none."""
    floors = [w.floor_upper or w.lowest or 0.0 for w in windows]
    return min(100.0, max(40.0, 100 * max(floors) * 1.25))


def _panel(
    mechanism: Mechanism,
    windows: Sequence[TrustedWindow],
    wrenches: Mapping[str, Wrench],
    study: RangeStudy,
    direction: Direction,
    top: float,
) -> "altair.LayerChart | altair.FacetChart":
    import altair as alt

    kinds = by_mechanism()
    most = max(window.checks for window in windows)
    rows = _rows(windows, wrenches, study.rules.low_mark, top)
    x = alt.X(
        "at:Q",
        title="checks of its own, cards included",
        scale=alt.Scale(domain=[0.4, most + 0.6], nice=False),
        axis=alt.Axis(values=list(range(1, most + 1)), format="d", grid=False),
    )
    y = alt.Y(
        "floor:Q",
        title="trusted from, % of full scale",
        scale=alt.Scale(domain=[0, top], nice=False),
    )
    points = alt.Chart(inline(rows))
    mark = 100 * study.rules.low_mark
    line = alt.Chart(inline([{"y": mark}]))
    layers: list[Any] = [
        *_mechanism_floor(study, mechanism, direction),
        line.mark_rule(color=theme.MARK, strokeDash=list(theme.MARK_DASH)).encode(y="y:Q"),
        points.mark_rule(strokeWidth=1.2, clip=True).encode(
            x, alt.Y("lower:Q"), alt.Y2("upper:Q"), kinds["color"]
        ),
        points.transform_filter("datum.bounded")
        .mark_point(size=46, filled=True, opacity=1)
        .encode(x, y, kinds["color"], kinds["shape"]),
        points.transform_filter("!datum.bounded")
        .mark_point(size=46, fill=theme.BACKGROUND, opacity=1)
        .encode(x, y, kinds["color"], kinds["shape"]),
        points.transform_filter("datum.label != '' && !datum.nowhere")
        .mark_text(align="left", dx=7, dy=-6, fontSize=10.5)
        .encode(x, y, kinds["color"], text="label:N"),
        points.transform_filter("datum.nowhere")
        .mark_text(align="right", dx=-7, fontSize=10.5)
        .encode(x, y, kinds["color"], text="label:N"),
    ]
    return alt.layer(*layers).properties(
        width=_WIDTH,
        height=200,
        title={
            "text": f"{mechanism.value}: {counted(len(windows), 'wrench')}",
            "anchor": "start",
            "fontSize": 12.5,
            "color": theme.COLOURS[mechanism],
            "offset": 6,
        },
    )


def _rows(
    windows: Sequence[TrustedWindow], wrenches: Mapping[str, Wrench], mark: float, top: float
) -> list[dict[str, Any]]:
    """Wrenches with as many checks stand side by side, by floor."""
    groups: dict[int, list[TrustedWindow]] = defaultdict(list)
    for window in sorted(windows, key=lambda w: (w.lowest is None, w.lowest or 0.0, w.wrench)):
        groups[window.checks].append(window)
    beside = _BESIDE_PX * max(groups, default=1) / _WIDTH
    rows = []
    for checks, alike in groups.items():
        for number, window in enumerate(alike):
            nowhere = window.lowest is None
            floor = _NOWHERE_AT * top if window.lowest is None else 100 * window.lowest
            low, high = window.floor_lower, window.floor_upper
            late = window.lowest is not None and window.lowest > _LATE * mark
            rows.append(
                {
                    "label": f"{window.wrench}: nowhere"
                    if nowhere
                    else window.wrench
                    if late
                    else "",
                    "nowhere": nowhere,
                    "mechanism": wrenches[window.wrench].mechanism.value,
                    "at": checks + beside * (number - (len(alike) - 1) / 2),
                    "floor": floor,
                    "lower": floor if low is None else 100 * low,
                    "upper": floor if nowhere else top if high is None else 100 * high,
                    "bounded": not _down_to_its_mark(window, wrenches[window.wrench]),
                }
            )
    return rows


def _down_to_its_mark(window: TrustedWindow, wrench: Wrench) -> bool:
    lowest = wrench.lowest.nm / wrench.full_scale.nm
    return window.lowest is not None and window.lowest <= lowest + _SAME


def _mechanism_floor(
    study: RangeStudy, mechanism: Mechanism, direction: Direction
) -> list["altair.Chart"]:
    """The floor of the whole kind as a line with its 95 % interval as a band."""
    import altair as alt

    found = study.of(mechanism, direction)
    floor = None if found is None else found.floor_by_risk
    if not isinstance(floor, TrustFloor) or floor.lower is None:
        return []
    row = {
        "lower": 100 * floor.lower,
        "upper": 100 * (1.0 if floor.upper is None else floor.upper),
        "floor": None if floor.floor is None else 100 * floor.floor,
    }
    drawn = alt.Chart(inline([row]))
    colour = theme.COLOURS[mechanism]
    return [
        drawn.mark_rect(color=colour, opacity=theme.BAND_OPACITY, clip=True).encode(
            y="lower:Q", y2="upper:Q"
        ),
        drawn.mark_rule(color=colour, strokeWidth=1.6, clip=True).encode(y="floor:Q"),
    ]


def _title(
    windows: Sequence[TrustedWindow], wrenches: Mapping[str, Wrench], study: RangeStudy
) -> str:
    if not windows:
        return "No wrench has a trusted window yet"
    first = next(
        each for each in Mechanism if any(wrenches[w.wrench].mechanism is each for w in windows)
    )
    ours = [window for window in windows if wrenches[window.wrench].mechanism is first]
    mark = study.rules.low_mark
    late = sum(window.lowest is None or window.lowest > mark + _SAME for window in ours)
    down = sum(_down_to_its_mark(window, wrenches[window.wrench]) for window in ours)
    return (
        f"Of {counted(len(ours), f'{first.value} wrench')}, {late or 'none'} "
        f"{'is' if late == 1 else 'are'} to be trusted only from above {percent(100 * mark)} of "
        f"full scale, {down or 'none'} all the way down to the lowest mark"
    )


def _caption(windows: Sequence[TrustedWindow], study: RangeStudy, direction: Direction) -> str:
    if not windows:
        return f"Trusted windows, {way(direction)}: they need a reading and a stated tolerance."
    return (
        f"Where each wrench begins to keep to {percent(100 * study.rules.tolerated_pull_risk)} of "
        f"pulls outside its limit, {way(direction)}, {counted(len(windows), 'wrench')}. Hollow: "
        "trusted down to its lowest mark. Bars: 95 % intervals. Line and band: the whole kind as "
        f"found. Dashed: {percent(100 * study.rules.low_mark)}, the trade's mark."
    )
