"""What charts share: the axis of the range, a wrench's own scale, the trade's mark, names."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

from analysis.vocabulary import Mechanism
from service.charts import theme
from service.records import Wrench
from service.wording import unit_in_words

if TYPE_CHECKING:
    import altair

X_TITLE: Final = "target, % of full scale (logarithmic)"
_TICKS: Final = (5, 10, 15, 20, 30, 40, 50, 70, 100)


def x_of_range(lowest_pct: float) -> "altair.X":
    """The range from its lowest place on, logarithmic: the bottom is where things happen."""
    import altair as alt

    ticks = [tick for tick in _TICKS if tick >= lowest_pct * 0.999]
    return alt.X(
        "x:Q",
        title=X_TITLE,
        scale=alt.Scale(type="log", domain=[lowest_pct * 0.94, 100 * 1.02], nice=False),
        axis=alt.Axis(values=ticks, format="d", grid=False),
    )


def x_of_wrench(wrench: Wrench) -> "altair.X":
    """The marked range of a wrench in the unit of its own scale, from nothing to full scale."""
    import altair as alt

    return alt.X(
        "torque:Q",
        title=f"target, {unit_in_words(wrench.full_scale.unit)}",
        scale=alt.Scale(domain=[0, wrench.full_scale.value * 1.03], nice=False),
        axis=alt.Axis(grid=False, tickCount=5),
    )


def mark_of_trade(mark_pct: float) -> "altair.LayerChart | altair.FacetChart":
    """The trade's mark as a dashed line with its name."""
    import altair as alt

    base = alt.Chart(inline([{"x": mark_pct, "name": f"the trade's {mark_pct:g} % mark"}]))
    rule = base.mark_rule(color=theme.MARK, strokeDash=list(theme.MARK_DASH)).encode(x="x:Q")
    name = base.mark_text(align="left", dx=5, dy=2, baseline="top").encode(
        x="x:Q", y=alt.value(0), text="name:N"
    )
    return alt.layer(rule, name)


def inline(rows: Iterable[Mapping[str, Any]]) -> "altair.InlineData":
    """Rows that stand in the specification itself."""
    import altair as alt

    return alt.InlineData(values=list(rows))


def empty_frame(title: dict[str, Any]) -> "altair.LayerChart | altair.FacetChart":
    """A frame without anything in it, whose title says why."""
    import altair as alt

    nothing = alt.Chart(inline([])).mark_point()
    return alt.layer(nothing).properties(
        width=theme.WIDTH, height=theme.HEIGHT // 3, title=title, config=theme.configured()
    )


def by_mechanism() -> dict[str, Any]:
    """Colour, shape and dash of each kind, the same in every chart; no legend: lines are named."""
    import altair as alt

    names = [each.value for each in Mechanism]

    def scale(values: Any) -> Any:
        return alt.Scale(domain=names, range=[values[each] for each in Mechanism])

    return {
        "color": alt.Color("mechanism:N", scale=scale(theme.COLOURS), legend=None),
        "shape": alt.Shape("mechanism:N", scale=scale(theme.SHAPES), legend=None),
        "strokeDash": alt.StrokeDash(
            "mechanism:N",
            scale=scale({name: list(dash) for name, dash in theme.DASHES.items()}),
            legend=None,
        ),
    }
