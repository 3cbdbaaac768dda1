"""Counts of cycles where no counter was read at a check, from the work recorded since.

A counter always wins. After the last one read, the recorded pulls are added to it. Between two
counters they only say how the use was spread: the counters say how much it was, so that counts
never fall and work that nobody wrote down is not lost. Where the recording began long after the
counter was read, or nothing is recorded, nothing is said.
"""

from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array

# Recording that began later after a counter was read cannot stand for the use since (a choice).
LATEST_BEGIN_DAYS: Final = 31.0


def with_use_counted(checks: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """The checks in their order, `cycles` filled where recorded work tells it.

    checks  columns wrench, day, cycles (null: no counter was read), in order of time by wrench
    work    columns wrench, day, count: recorded pulls, in order of time by wrench
    """
    made = {
        str(wrench): (of["day"].to_numpy(), of["count"].to_numpy().astype(np.float64))
        for (wrench,), of in work.group_by("wrench")
    }
    counts = checks["cycles"].to_list()
    rows = checks.select("wrench", "day").with_row_index("row").group_by("wrench")
    for (wrench,), of in rows:
        if str(wrench) in made:
            index, day = of["row"].to_list(), of["day"].to_numpy()
            own = np.array([np.nan if counts[i] is None else counts[i] for i in index])
            filled = _filled(day, own, *made[str(wrench)])
            for i, count in zip(index, filled.tolist(), strict=True):
                counts[i] = None if np.isnan(count) else count
    return checks.with_columns(pl.Series("cycles", counts, dtype=pl.Float64))


def _filled(day: Array, own: Array, pull_day: Array, pulls: Array) -> Array:
    """(C,) counts of one wrench, nan where nothing tells them; `own` those read off a counter."""
    total = np.concatenate([[0.0], pulls.cumsum()])

    def until(at: float) -> float:
        return float(total[np.searchsorted(pull_day, at, side="right")])

    filled = own.copy()
    known = np.flatnonzero(np.isfinite(own))
    for i in np.flatnonzero(np.isnan(own)).tolist():
        before, after = known[known < i], known[known > i]
        if not before.size or pull_day[0] > day[before[-1]] + LATEST_BEGIN_DAYS:
            continue
        last = int(before[-1])
        since = until(day[i]) - until(day[last])
        if after.size and own[after[0]] >= own[last]:
            both = until(day[after[0]]) - until(day[last])
            if both > 0:
                filled[i] = own[last] + since / both * (own[after[0]] - own[last])
        elif since > 0:
            filled[i] = own[last] + since
    return filled
