"""Capability of one wrench along its marked range, beside what its readings show band by band."""

from typing import TYPE_CHECKING, Any, Final

from analysis.errors import NotEnoughEvidence
from analysis.numerals import number
from analysis.trust_floor import PPK_AIMED_AT
from analysis.vocabulary import Band
from service.charts import theme
from service.charts.axes import inline, x_of_wrench
from service.records import Policy, Wrench
from service.wrench_sheet import WrenchAnalysis
from service.wrench_wording import capability_in_words

if TYPE_CHECKING:
    import altair

_HEIGHT: Final = 130
_ROOM: Final = 1.15
_MOST: Final = 4.0  # a Ppk beyond it says nothing more


def capability_chart(
    wrench: Wrench, found: WrenchAnalysis, policy: Policy, *, width: float
) -> "altair.TopLevelMixin":
    """Ppk today by the error law, with what it exceeds with 95 %; counted bands as steps."""
    import altair as alt

    colour = theme.COLOURS[wrench.mechanism]
    curve = [
        {
            "torque": wrench.full_scale.value * place.x,
            "ppk": place.ppk.value,
            "lower": place.ppk.lower,
        }
        for place in found.curve
    ]
    steps = _steps(wrench, found, policy)
    highest = max([row["ppk"] for row in (*curve, *steps)] + [PPK_AIMED_AT])
    lowest = min([row["lower"] for row in (*curve, *steps)] + [0.0])
    x = x_of_wrench(wrench)
    scale = alt.Scale(domain=[max(lowest, -1.0), min(_ROOM * highest, _MOST)], nice=False)
    y = alt.Y("ppk:Q", title="Ppk, no unit", scale=scale, axis=alt.Axis(tickCount=5))
    drawn, counted = alt.Chart(inline(curve)), alt.Chart(inline(steps))
    aim = alt.Chart(inline([{"ppk": PPK_AIMED_AT, "name": "aim"}]))
    layers = [
        drawn.mark_area(opacity=theme.BAND_OPACITY, color=colour, clip=True).encode(
            x, alt.Y("lower:Q", scale=scale), alt.Y2("ppk:Q")
        ),
        aim.mark_rule(color=theme.MARK, strokeWidth=1.5).encode(y=y),
        aim.mark_text(align="left", dx=3, dy=-3, baseline="bottom").encode(
            x=alt.value(0), y=y, text="name:N"
        ),
        drawn.mark_line(strokeWidth=2, color=colour, clip=True).encode(x, y),
        counted.mark_rule(color=theme.INK, strokeWidth=2.5, clip=True).encode(
            alt.X("from:Q"), alt.X2("to:Q"), y
        ),
        counted.mark_rule(color=theme.INK, strokeWidth=1, strokeDash=[3, 2], clip=True).encode(
            x, y, alt.Y2("lower:Q")
        ),
        counted.mark_point(
            size=46, filled=True, opacity=1, color=theme.INK, shape="diamond", clip=True
        ).encode(x, y),
    ]
    return alt.layer(*layers).properties(
        width=width,
        height=_HEIGHT,
        title=theme.titled(capability_in_words(wrench, found), _caption(bool(steps)), width=width),
        config=theme.configured(),
    )


def _steps(wrench: Wrench, found: WrenchAnalysis, policy: Policy) -> list[dict[str, Any]]:
    """A step for each band with a Ppk of its own, over the part of it that is marked."""
    lowest = wrench.lowest.nm / wrench.full_scale.nm
    extents = {
        Band.LOW: (lowest, policy.low_band_below),
        Band.MID: (policy.low_band_below, policy.upper_band_above),
        Band.UPPER: (policy.upper_band_above, 1.0),
    }
    full, steps = wrench.full_scale.value, []
    for each in found.bands:
        if isinstance(each.capability, NotEnoughEvidence):
            continue
        overall = each.capability.overall
        if isinstance(overall, NotEnoughEvidence):
            continue
        begin, end = extents[each.band]
        steps.append(
            {
                "from": full * max(begin, lowest),
                "to": full * end,
                "torque": full * (max(begin, lowest) + end) / 2,
                "ppk": overall.performance.nearer,
                "lower": max(overall.performance.nearer_low, -1.0),
            }
        )
    return steps


def _caption(counted: bool) -> str:
    steps = (
        " Black steps: counted from its own readings in that part of the range, dashed down to "
        "their 95 % limit."
        if counted
        else ""
    )
    return (
        "Line: today, with all that its family shows; shaded down to what it exceeds with 95 %. "
        f"Aim: Ppk {number(PPK_AIMED_AT)}.{steps}"
    )
