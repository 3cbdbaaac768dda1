"""Whether the bench should measure again right after a check, and why, in words with numbers.

Four tests of each point, all with normal errors, against the scatter expected of the wrench: SD
sigma with nu degrees of freedom from its history, or assumed when there is none. With n readings d
and s their SD:

    scatter    s²/sigma² beyond F(n - 1, nu)
    outlier    (d_i - mean of the others) / (s* sqrt(1 + 1/(n - 1))) beyond t(nu + n - 2)
    trend      slope over the order of the readings / its SD beyond t(nu + n - 2)
    change     (mean - predicted) / SD of the prediction beyond t(its df)

s* pools the residual squares with nu sigma². Without any expectation the outlier test is that of
Grubbs. The false-alarm rate of a whole check is shared out equally over its tests (Bonferroni), so
it is an upper bound. Equal readings are no alarm: they only show the tester's resolution.

Sources: F. E. Grubbs, Procedures for detecting outlying observations in samples, Technometrics 11
(1969) 1-21, and NIST/SEMATECH e-Handbook 1.3.5.17.1; the pooled form is the same statistic with an
independent estimate of the variance added.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.deviation import within

FALSE_ALARM_RATE: Final = 0.01  # per check; common practice, no source
# Rounding by the tester makes small scatter look like none; below this nothing is worth an alarm
# (common practice, no source).
_SMALLEST_SCATTER_PCT: Final = 0.05
# Scatter, trend and outlier.
_TESTS_OF_READINGS: Final = 3
# Grubbs' test alone is not to be used on six readings or fewer (e-Handbook 1.3.5.17.1).
_FEWEST_FOR_GRUBBS: Final = 7


class ReasonKind(StrEnum):
    SCATTER = "scatter"
    OUTLYING_READING = "outlying_reading"
    TREND = "trend"
    CHANGE = "change_since_last_check"
    LIMIT_WITHIN_UNCERTAINTY = "limit_within_uncertainty"


@dataclass(frozen=True, slots=True)
class Scatter:
    """Expected repeatability of one reading at a point.

    sd_pct   % of reading, >= 0
    df       degrees of freedom behind it; infinite when it is assumed or known
    source   where it comes from, in words
    """

    sd_pct: float
    df: float
    source: str


@dataclass(frozen=True, slots=True)
class Prediction:
    """Where the mean of the point was expected.

    mean_pct  % of reading
    sd_pct    of the difference between that and the mean of the new readings, > 0
    df        degrees of freedom of `sd_pct`
    source    where it comes from, in words
    """

    mean_pct: float
    sd_pct: float
    df: float
    source: str


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One target of the check just made.

    label          the target, e.g. `20 N·m`; used in the words
    deviation_pct  (n,) % of reading, in the order taken
    mpd_pct        (n,) ± % of reading at each; None: no stated tolerance
    scatter        None: a quarter of the MPD is assumed; without an MPD only Grubbs' test is left
    predicted      None: nothing to compare the level with (as after an adjustment)
    """

    label: str
    deviation_pct: Array
    mpd_pct: Array | None
    scatter: Scatter | None = None
    predicted: Prediction | None = None


@dataclass(frozen=True, slots=True)
class Reason:
    """Why to measure again.

    kind
    point    index into the points given
    text     words with numbers
    p_value  chance of this or more without cause, before sharing out the rate; None where the
             reason is not a test
    """

    kind: ReasonKind
    point: int
    text: str
    p_value: float | None


@dataclass(frozen=True, slots=True)
class RemeasureAdvice:
    """The advice for one check.

    advised           true when there is any reason
    reasons           in the order of the points
    false_alarm_rate  upper bound, per check, for the tests together
    tests             how many were made
    """

    advised: bool
    reasons: tuple[Reason, ...]
    false_alarm_rate: float
    tests: int


def assumed_scatter(mpd_pct: float) -> Scatter:
    """A quarter of the MPD: with more than that a centred wrench has Cp below 1.33.

    Common practice, no source. It serves until the wrench has a history.
    """
    return Scatter(mpd_pct / 4.0, math.inf, "assumed, a quarter of the tolerance")


def advise(
    points: Sequence[MeasuredPoint],
    *,
    expanded_uncertainty_pct: float | None = None,
    false_alarm_rate: float = FALSE_ALARM_RATE,
) -> RemeasureAdvice:
    """Whether to measure again, from the points of one check.

    expanded_uncertainty_pct  U of the tester, % of reading; None when not known
    false_alarm_rate          in (0, 1): chance of any alarm by a test when nothing is wrong
    """
    made: list[Reason] = []
    for index, point in enumerate(points):
        scatter = point.scatter
        if scatter is None and point.mpd_pct is not None:
            scatter = assumed_scatter(float(np.min(point.mpd_pct)))
        if scatter is not None:
            made += _scatter_and_trend(index, point, scatter)
        made += _outlier(index, point, scatter)
        made += _change(index, point)
    level = false_alarm_rate / max(1, len(made))
    reasons = [test for test in made if test.p_value is not None and test.p_value < level]
    reasons += _limit_within_uncertainty(points, expanded_uncertainty_pct)
    reasons.sort(key=lambda reason: reason.point)
    return RemeasureAdvice(bool(reasons), tuple(reasons), false_alarm_rate, len(made))


def largest_quiet_sd(
    scatter: Scatter, repeats: int, points: int, *, false_alarm_rate: float = FALSE_ALARM_RATE
) -> float:
    """SD of the readings at a point, % of reading, beyond which their scatter alone is a reason.

    repeats   readings at each point, at least 2
    points    of the check, each with the three tests that need no expected level

    A bench can tell it while measuring; `advise` has the last word, with the tests then made.
    """
    from scipy.special import chdtri, fdtri

    level = false_alarm_rate / (_TESTS_OF_READINGS * points)
    ratio = (
        float(chdtri(repeats - 1, level)) / (repeats - 1)
        if math.isinf(scatter.df)
        else float(fdtri(repeats - 1, scatter.df, 1 - level))
    )
    return max(scatter.sd_pct, _SMALLEST_SCATTER_PCT) * math.sqrt(ratio)


def outlying_reading(values: Array, scatter: Scatter | None = None) -> tuple[int, float, float]:
    """The reading farthest from its fellows: its index, its t statistic, and the p-value.

    values   (n,) n >= 3, in one unit with scatter
    scatter  independent knowledge of the SD; None gives Grubbs' two-sided test, of which
             t = G sqrt(n (n - 2) / ((n - 1)² - n G²)) is the same statistic on another scale

    The p-value is Bonferroni's bound over the n readings, exact where two cannot both stand out.
    """
    n = values.size
    centred = values - values.mean()
    index = int(np.argmax(np.abs(centred)))
    fellows = np.delete(values, index)
    squares = float(((fellows - fellows.mean()) ** 2).sum())
    sd, df = _pooled(squares, n - 2, scatter)
    gap = float(abs(values[index] - fellows.mean()))
    if sd == 0.0:
        return index, math.inf if gap > 0 else 0.0, 0.0 if gap > 0 else 1.0
    t = gap / (sd * math.sqrt(1 + 1 / (n - 1)))
    return index, t, min(1.0, n * _two_sided(t, df))


def _scatter_and_trend(index: int, point: MeasuredPoint, scatter: Scatter) -> list[Reason]:
    from scipy.special import chdtrc, fdtrc

    values, n = point.deviation_pct, point.deviation_pct.size
    expected = max(scatter.sd_pct, _SMALLEST_SCATTER_PCT)
    tests = []
    if n >= 2:
        variance = float(values.var(ddof=1))
        ratio = variance / expected**2
        p = (
            float(chdtrc(n - 1, ratio * (n - 1)))
            if math.isinf(scatter.df)
            else float(fdtrc(n - 1, scatter.df, ratio))
        )
        text = (
            f"{point.label}: the {n} readings scatter by {math.sqrt(variance):.2f} % (SD) where "
            f"{expected:.2f} % is expected ({scatter.source})"
        )
        tests.append(Reason(ReasonKind.SCATTER, index, text, p))
    if n >= 3:
        order = np.arange(n) - (n - 1) / 2
        spread = float((order**2).sum())
        slope = float((order * values).sum()) / spread
        residual = float(((values - values.mean() - slope * order) ** 2).sum())
        sd, df = _pooled(residual, n - 2, scatter)
        text = (
            f"{point.label}: the readings move by {slope:+.2f} % from one to the next in the order "
            "taken, as if the wrench or the fixture were still settling"
        )
        tests.append(
            Reason(ReasonKind.TREND, index, text, _two_sided(slope * math.sqrt(spread) / sd, df))
        )
    return tests


def _outlier(index: int, point: MeasuredPoint, scatter: Scatter | None) -> list[Reason]:
    values, n = point.deviation_pct, point.deviation_pct.size
    if n < (3 if scatter is not None else _FEWEST_FOR_GRUBBS):
        return []
    worst, _, p = outlying_reading(values, scatter)
    fellows = float(np.delete(values, worst).mean())
    text = (
        f"{point.label}: reading {worst + 1} of {n} shows {values[worst]:+.2f} %, the others "
        f"{fellows:+.2f} % on average"
    )
    return [Reason(ReasonKind.OUTLYING_READING, index, text, p)]


def _change(index: int, point: MeasuredPoint) -> list[Reason]:
    predicted = point.predicted
    if predicted is None or point.deviation_pct.size == 0:
        return []
    mean = float(point.deviation_pct.mean())
    sd = max(predicted.sd_pct, _SMALLEST_SCATTER_PCT)
    text = (
        f"{point.label}: the mean is {mean:+.2f} %, {predicted.mean_pct:+.2f} % was expected "
        f"({predicted.source}), give or take {sd:.2f} %: a knock, or a slip at the bench?"
    )
    p = _two_sided((mean - predicted.mean_pct) / sd, predicted.df)
    return [Reason(ReasonKind.CHANGE, index, text, p)]


def _limit_within_uncertainty(
    points: Sequence[MeasuredPoint], expanded_uncertainty_pct: float | None
) -> list[Reason]:
    """Fails that the tester's uncertainty could explain; none where a reading fails for sure."""
    if expanded_uncertainty_pct is None:
        return []
    reasons = []
    for index, point in enumerate(points):
        if point.mpd_pct is None:
            continue
        outside = ~within(point.deviation_pct, point.mpd_pct)
        if np.any(~within(point.deviation_pct, point.mpd_pct + expanded_uncertainty_pct)):
            return []
        if np.any(outside):
            excess = np.abs(point.deviation_pct) - point.mpd_pct
            worst = int(np.argmax(excess))
            text = (
                f"{point.label}: {int(outside.sum())} of {outside.size} readings fail, the worst "
                f"by {excess[worst]:.2f} % of reading, less than the tester's own uncertainty of "
                f"{expanded_uncertainty_pct:.2f} %"
            )
            reasons.append(Reason(ReasonKind.LIMIT_WITHIN_UNCERTAINTY, index, text, None))
    return reasons


def _pooled(squares: float, df: int, scatter: Scatter | None) -> tuple[float, float]:
    """SD and degrees of freedom from residual squares and the expected scatter together."""
    if scatter is None:
        return math.sqrt(squares / df), df
    expected = max(scatter.sd_pct, _SMALLEST_SCATTER_PCT)
    if math.isinf(scatter.df):
        return expected, math.inf
    total = scatter.df + df
    return math.sqrt((squares + scatter.df * expected**2) / total), total


def _two_sided(t: float, df: float) -> float:
    from scipy.special import ndtr, stdtr

    tail = ndtr(-abs(t)) if math.isinf(df) else stdtr(df, -abs(t))
    return 2.0 * float(tail)
