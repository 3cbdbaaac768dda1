"""How single readings of one wrench lie about the mean of their check, beside its family's law."""

from typing import TYPE_CHECKING, Any, Final

import polars as pl

from analysis.numerals import counted
from service.charts import theme
from service.charts.axes import inline, x_of_wrench
from service.records import Wrench
from service.wrench_sheet import WrenchAnalysis
from service.wrench_wording import scatter_in_words, scatter_sd_pct

if TYPE_CHECKING:
    import altair

_HEIGHT: Final = 130
_PLACES: Final = 41
_Z95: Final = 1.959964
_ROOM: Final = 1.1
_BESIDE: Final = 0.011  # of full scale, between two checks


def scatter_chart(
    wrench: Wrench, found: WrenchAnalysis, own: pl.DataFrame, *, width: float
) -> "altair.TopLevelMixin":
    """Readings as points, the law as a band.

    own   deviations of the wrench (frame of `analysis.deviation.with_deviations`)
    """
    import altair as alt

    colour, full = theme.COLOURS[wrench.mechanism], wrench.full_scale.value
    lowest = wrench.lowest.nm / wrench.full_scale.nm
    shares = [lowest + (1 - lowest) * i / (_PLACES - 1) for i in range(_PLACES)]
    band = [
        {"torque": full * x, "upper": _Z95 * sd, "lower": -_Z95 * sd}
        for x, sd in ((x, scatter_sd_pct(found.law, x)) for x in shares)
    ]
    points = _points(own, found, full)
    top = _ROOM * max(abs(value) for value in [r["pct"] for r in points] + [band[0]["upper"]])
    x = x_of_wrench(wrench)
    scale = alt.Scale(domain=[-top, top], nice=False, reverse=True)
    y = alt.Y(
        "pct:Q",
        title="low  ←  %  →  high",
        scale=scale,
        axis=alt.Axis(tickCount=7),
    )
    law = alt.Chart(inline(band))
    inside = sum(abs(row["pct"]) <= _Z95 * scatter_sd_pct(found.law, row["x"]) for row in points)
    finding = scatter_in_words(found.law, lowest, inside, len(points))
    layers = [
        law.mark_area(opacity=theme.BAND_OPACITY, color=colour).encode(
            x, alt.Y("lower:Q", scale=scale), alt.Y2("upper:Q")
        ),
        *(
            law.mark_line(strokeWidth=1.5, color=colour).encode(x, alt.Y(f"{side}:Q", scale=scale))
            for side in ("lower", "upper")
        ),
        alt.Chart(inline(points))
        .mark_point(size=26, opacity=0.75, color=colour, shape=theme.SHAPES[wrench.mechanism])
        .encode(x, y),
    ]
    return alt.layer(*layers).properties(
        width=width,
        height=_HEIGHT,
        title=theme.titled(finding, _caption(found), width=width),
        config=theme.configured(),
    )


def _points(own: pl.DataFrame, found: WrenchAnalysis, full: float) -> list[dict[str, Any]]:
    """Distances from the mean of their check, widened by what that mean has of them.

    Checks stand beside each other at a target, the oldest at the left.
    """
    cell = ["check", "x"]
    order = pl.col("day").rank("dense").over("x")
    spread = (
        own.filter(pl.col("direction") == found.direction.value)
        .with_columns(pl.len().over(cell).alias("n"))
        .filter(pl.col("n") > 1)
        .select(
            "x",
            torque=full * (pl.col("x") + _BESIDE * (order - (order.max().over("x") + 1) / 2)),
            pct=(pl.col("deviation_pct") - pl.col("deviation_pct").mean().over(cell))
            * (pl.col("n") / (pl.col("n") - 1)).sqrt(),
        )
    )
    return spread.to_dicts()


def _caption(found: WrenchAnalysis) -> str:
    return (
        "Each reading from the mean of its check, % of reading; checks side by side, the oldest at "
        "the left. Band: 95 % of readings by the law of its family "
        f"({counted(found.law.wrenches, 'wrench')})."
    )
