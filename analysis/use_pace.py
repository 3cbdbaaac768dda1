"""How fast a wrench is used: cycles a day, from the counts noted at its checks."""

import polars as pl

SHORTEST_SPAN_DAYS = 30.0  # two checks of one week say nothing about a year's use


def cycles_per_day(readings: pl.DataFrame) -> dict[str, float]:
    """Cycles a day by wrench, where two counts at least a month apart are known.

    readings  frame of `analysis.evidence.READINGS`; a count that was set back (a new mechanism)
              restarts the reckoning at the lowest later count
    """
    counts = (
        readings.filter(pl.col("cycles").is_not_null())
        .group_by("wrench", "day")
        .agg(pl.col("cycles").max())
        .sort("wrench", "day")
        .with_columns(pl.col("cycles").diff().over("wrench").alias("step"))
        .with_columns(
            (pl.col("step") < 0).fill_null(value=False).cum_sum().over("wrench").alias("run")
        )
        .filter(pl.col("run") == pl.col("run").max().over("wrench"))
        .group_by("wrench", maintain_order=True)
        .agg(
            (pl.col("cycles").last() - pl.col("cycles").first()).alias("used"),
            (pl.col("day").last() - pl.col("day").first()).alias("span"),
        )
        .filter(pl.col("span") >= SHORTEST_SPAN_DAYS)
    )
    return {row["wrench"]: row["used"] / row["span"] for row in counts.iter_rows(named=True)}
