"""Histories of verdicts alone: in or out at each check, no numbers.

What a check says depends on how long ago the wrench was last renewed (adjusted, repaired, new) and
when it was last seen in since then: failing lies between two checks and is not seen to happen. A
wrench that is found out and not renewed is out until it is; checks in between say nothing new.

Source: NCSL RP-1 (renewal times; interval test, its method A3), from memory; C. J. Clopper, E. S.
Pearson, Biometrika 26 (1934) 404-413.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import polars as pl

from analysis.arrays import Array, Flags
from analysis.deviation import within
from analysis.vocabulary import CheckKind, Direction

# One row a visit. `passed` is null where the wrench was not checked as found; `renewed` is true
# where it left adjusted, repaired or new: time counts from there.
VISITS: Final = pl.Schema(
    {"wrench": pl.String, "day": pl.Float64, "passed": pl.Boolean, "renewed": pl.Boolean}
)


@dataclass(frozen=True, slots=True)
class PassFail:
    """n verdicts with what was known before each; times since the last renewal, in days.

    known_in  (n,) when last seen in, 0 right after the renewal
    checked   (n,) when checked, > known_in
    passed    (n,)
    excluded  verdicts that say nothing: before the first renewal, or out already
    """

    known_in: Array
    checked: Array
    passed: Flags
    excluded: int = 0

    def __post_init__(self) -> None:
        if not ((self.known_in >= 0.0) & (self.checked > self.known_in)).all():
            raise ValueError("a check comes after the renewal and after the wrench was last in")

    @property
    def size(self) -> int:
        return int(self.passed.size)


@dataclass(frozen=True, slots=True)
class IntervalTest:
    """Whether the share found in tolerance contradicts the reliability target.

    observed, low, high  share passed and its binomial interval
    change               keep: the target lies in the interval; else which way to move
    """

    observed: float
    low: float
    high: float
    target: float
    confidence: float
    change: Literal["keep", "shorten", "lengthen"]


def visits_of(deviations: pl.DataFrame, direction: Direction) -> pl.DataFrame:
    """The verdicts of numeric checks as VISITS, for one direction.

    deviations  frame of `analysis.deviation.with_deviations`; rows without a tolerance are dropped

    A check passes when every reading is within its MPD. A wrench counts as new at its first check
    when it passes that, and is renewed by each check as left that it passes.
    """
    left = (pl.col("kind") == CheckKind.AS_LEFT.value).alias("left")
    return (
        deviations.filter(
            (pl.col("direction") == direction.value) & pl.col("mpd_pct").is_not_null()
        )
        .group_by("wrench", "check")
        .agg(
            pl.col("day").first(),
            left.first(),
            within(pl.col("deviation_pct"), pl.col("mpd_pct")).all().alias("passed"),
        )
        .sort("wrench", "day", "left", "check")
        .with_columns(
            (pl.col("left") | (pl.int_range(pl.len()).over("wrench") == 0)).alias("begins")
        )
        .select(
            "wrench",
            "day",
            pl.when(~pl.col("left") & ~(pl.col("begins") & pl.col("passed"))).then("passed"),
            (pl.col("begins") & pl.col("passed")).alias("renewed"),
        )
    )


def since_renewal(visits: pl.DataFrame) -> PassFail:
    """Verdicts by the time since each wrench's last renewal.

    visits  schema VISITS; visits of one wrench on one day count as one, passed when all passed
    """
    by_day = (
        visits.group_by("wrench", "day")
        .agg(pl.col("passed").drop_nulls(), pl.col("renewed").any())
        .with_columns(
            pl.when(pl.col("passed").list.len() > 0)
            .then(pl.col("passed").list.all())
            .alias("passed")
        )
        .sort("wrench", "day")
    )
    known_in: list[float] = []
    checked: list[float] = []
    passed: list[bool] = []
    excluded = 0
    wrench, renewed_on, seen_in = None, None, 0.0
    for row in by_day.iter_rows(named=True):
        if row["wrench"] != wrench:
            wrench, renewed_on = row["wrench"], None
        if row["passed"] is not None:
            if renewed_on is None:
                excluded += 1
            else:
                age = row["day"] - renewed_on
                known_in.append(seen_in)
                checked.append(age)
                passed.append(row["passed"])
                seen_in = age
                if not row["passed"]:
                    renewed_on = None
        if row["renewed"]:
            renewed_on, seen_in = row["day"], 0.0
    return PassFail(
        np.array(known_in, dtype=np.float64),
        np.array(checked, dtype=np.float64),
        np.array(passed, dtype=np.bool_),
        excluded,
    )


def binomial_limits(successes: int, trials: int, tail: float) -> tuple[float, float]:
    """Clopper-Pearson limits of a share, each with one-sided error at most `tail`.

    For a two-sided interval of confidence 0.95 the tail is 0.025.
    """
    from scipy.special import betaincinv

    failures = trials - successes
    low = float(betaincinv(successes, failures + 1, tail)) if successes else 0.0
    high = float(betaincinv(successes + 1, failures, 1.0 - tail)) if failures else 1.0
    return low, high


def interval_test(
    passed: int, checks: int, target: float, *, confidence: float = 0.95
) -> IntervalTest:
    """Change the interval only when its record contradicts the target.

    passed, checks  at the end of the interval in force; checks > 0
    target          reliability aimed at
    """
    low, high = binomial_limits(passed, checks, (1.0 - confidence) / 2.0)
    change: Literal["keep", "shorten", "lengthen"] = "keep"
    if high < target:
        change = "shorten"
    elif low > target:
        change = "lengthen"
    return IntervalTest(passed / checks, low, high, target, confidence, change)
