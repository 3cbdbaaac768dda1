"""Relative scatter against the place in the range: measured, fitted, spring beside electronic."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from analysis.numerals import counted
from analysis.range_claim import Claim, Subject, Verdict
from analysis.range_scatter import RangeScatter
from analysis.range_study import MechanismStudy, RangeStudy
from analysis.vocabulary import Direction, Mechanism
from service.charts import theme
from service.charts.axes import by_mechanism, inline, mark_of_trade, x_of_range
from service.range_wording import ratio_in_words, way

if TYPE_CHECKING:
    import altair

_COMPARED: Final = (Mechanism.SPRING, Mechanism.ELECTRONIC)
_NAMED_AT: Final = 17  # of the places of a line, where its name stands
_BESIDE: Final = 1.012
_ROOM: Final = 1.12  # above the highest curve and point; an interval may leave the frame


def scatter_chart(
    study: RangeStudy, direction: Direction, *, height: int = theme.HEIGHT
) -> "altair.LayerChart | altair.FacetChart":
    """The chart in one direction; without enough evidence an empty frame whose title says so."""
    import altair as alt

    shown = _shown(study, direction)
    kinds = by_mechanism()
    lines = [row for each in shown for row in _line(each)]
    points = [row for each in shown for row in _points(each)]
    lowest = min((row["x"] for row in lines + points), default=100 * study.rules.low_mark)
    top = max([row["sd"] for row in points] + [row["upper"] for row in lines], default=1.0)
    x = x_of_range(min(lowest, 100 * study.rules.low_mark))
    y = alt.Y(
        "sd:Q",
        title="scatter (SD of a reading), %",
        scale=alt.Scale(domain=[0, top * _ROOM], nice=False),
        axis=alt.Axis(tickCount=6),
    )
    curve = alt.Chart(inline(lines))
    measured = alt.Chart(inline(points))
    names = alt.Chart(inline(_line(each)[_NAMED_AT] for each in shown))
    layers = [
        curve.mark_area(opacity=theme.BAND_OPACITY, clip=True).encode(
            x, alt.Y("lower:Q"), alt.Y2("upper:Q"), kinds["color"]
        ),
        mark_of_trade(100 * study.rules.low_mark),
        curve.mark_line(strokeWidth=2, clip=True).encode(x, y, kinds["color"], kinds["strokeDash"]),
        measured.mark_rule(strokeWidth=1.2, clip=True).encode(
            x, alt.Y("lower:Q"), alt.Y2("upper:Q"), kinds["color"]
        ),
        measured.mark_point(filled=True, size=75, opacity=1).encode(
            x, y, kinds["color"], kinds["shape"]
        ),
        names.mark_text(align="left", dx=2, dy=-9, fontWeight="bold", fontSize=12.5).encode(
            x, alt.Y("upper:Q"), kinds["color"], text="name:N"
        ),
        # The upper line's counts stand above it, the others' below.
        *(
            measured.transform_filter(f"datum.above == {str(above).lower()}")
            .mark_text(align="left", dx=6, dy=-12 if above else 13, fontSize=10.5)
            .encode(x, y, kinds["color"], text="rests:N")
            for above in (True, False)
        ),
    ]
    return alt.layer(*layers).properties(
        width=theme.WIDTH,
        height=height,
        title=theme.titled(_title(study, direction), _caption(shown, direction)),
        config=theme.configured(),
    )


def _shown(study: RangeStudy, direction: Direction) -> list[MechanismStudy]:
    found = [each for each in study.mechanisms if each.direction is direction and each.curve]
    return [each for each in found if each.mechanism in _COMPARED] or found


def _line(study: MechanismStudy) -> list[dict[str, Any]]:
    return [
        {
            "mechanism": study.mechanism.value,
            "name": f"{study.mechanism.value} wrenches",
            "x": 100 * place.x,
            "sd": place.scatter_pct.value,
            "lower": place.scatter_pct.lower,
            "upper": place.scatter_pct.upper,
        }
        for place in study.curve
    ]


def _points(study: MechanismStudy) -> list[dict[str, Any]]:
    return [
        {
            "mechanism": study.mechanism.value,
            # Beside each other, so that intervals of two kinds at one place can both be seen.
            "x": 100 * place.x * _BESIDE ** list(Mechanism).index(study.mechanism),
            "sd": place.scatter_pct.value,
            "lower": place.scatter_pct.lower,
            "upper": place.scatter_pct.upper,
            "rests": f"n {place.wrenches}",
            "above": study.mechanism is Mechanism.SPRING,
        }
        for place in study.places
        if place.scatter_pct is not None
    ]


def _title(study: RangeStudy, direction: Direction) -> str:
    said = [
        _said(claim, 100 * study.rules.low_mark)
        for claim in study.claims
        if claim.subject is Subject.BOTTOM_SCATTERS_MORE
        and claim.direction is direction
        and claim.mechanism in _COMPARED
    ]
    if not said:
        return f"No spring or electronic wrench has been checked {way(direction)} yet"
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}"


def _said(claim: Claim, mark_pct: float) -> str:
    who = f"{claim.mechanism.value} wrenches"
    if claim.ratio is None:
        return f"too little data about {who}"
    times = ratio_in_words(claim.ratio.value)
    if claim.verdict is Verdict.CONFIRMED:
        return f"{who} scatter {times} times as much at {mark_pct:g} % as at full scale"
    if claim.verdict is Verdict.NOT_CONFIRMED:
        return f"{who} scatter there no more than matters ({times} times)"
    return f"{who} scatter {times} times as much, which leaves it open"


def _caption(shown: Sequence[MechanismStudy], direction: Direction) -> str:
    rests = "; ".join(
        f"{counted(each.scatter.wrenches, f'{each.mechanism.value} wrench')} in "
        f"{counted(each.scatter.checks, 'check')}"
        for each in shown
        if isinstance(each.scatter, RangeScatter)
    )
    if not rests:
        return f"Scatter within a check, {way(direction)}."
    return (
        f"Scatter within a check, % of reading, {way(direction)}: {rests}. Points: measured on n "
        "wrenches, 95 % intervals (one may leave the frame). Lines: fitted, 95 % bands."
    )
