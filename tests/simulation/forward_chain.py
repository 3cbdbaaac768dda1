"""Forecasts from many origins of a series, each knowing only what came before, and their score.

At each origin the family's law is learnt anew, of the series alone, under an assumption made of
the first part of the series, which is what was known at the first origin. Two rivals stand beside:
a line through all readings so far, and the last value carried forward.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import binomtest
from scipy.stats import t as student

from analysis.arrays import Array
from analysis.drift import Rate
from analysis.error_law import DAYS_PER_YEAR, Assumption, assumption
from analysis.family import FamilyFit, fit_family
from analysis.history import Histories
from analysis.mixture import Mixture, sign_probability, summarise
from analysis.outlook import outlook
from analysis.vocabulary import Direction, Mechanism
from tests.simulation.published_series import Series

BY_LAW: Final = "error law"
BY_LINE: Final = "line"
BY_LAST: Final = "last value"
METHODS: Final = (BY_LAW, BY_LINE, BY_LAST)
# Standard deviations are known to a factor of e^1.5 = 4.5 either way: vague beside the trade's 2.2.
_LOG_SD_SPREAD: Final = 1.5
_NONE: Final = 1e-6  # of the scale: what stands for no offset at all


def vague_assumption(early: Histories) -> Assumption:
    """A prior in the units of a series from its first part, the same rule for every series.

    Over the span of the first part each of check effect, drift and wander is thought to be about as
    large as the scatter from occasion to occasion, give or take a factor of 4.5. Levels lie
    about their mean, twice the scatter apart or as far as the items do. Events are the trade's.
    """
    mean, count = early.mean_pct[..., 0], early.count[..., 0]
    occasion_sd = float(np.sqrt((np.diff(mean, axis=1) ** 2).mean() / 2))
    freedom = float((count - 1).sum())
    # Where readings were not repeated their scatter cannot be told from the check's own effect.
    within = float(np.sqrt(early.squares.sum() / freedom)) if freedom > 5 else occasion_sd
    span = float(early.year[:, -1].mean())
    level_sd = max(2 * occasion_sd, float(mean.mean(axis=1).std()))
    gain = {
        "level": level_sd, "rate": occasion_sd / span, "adjusted": occasion_sd,
        "check": occasion_sd, "wander": occasion_sd / np.sqrt(span),
    }  # fmt: skip
    pairs = np.array([[sd, _NONE * occasion_sd] for sd in gain.values()])
    log_spread = np.tile([_LOG_SD_SPREAD, 0.0], (5, 1))
    events = assumption(Mechanism.SPRING)
    return Assumption(
        centre=np.concatenate(
            [
                [float(mean.mean()), 0.0, 0.0, 0.0, 0.0, 0.0],
                np.log(pairs).ravel(),
                np.log([within, _NONE * occasion_sd]),
                events.centre[18:],
            ]
        ),
        spread=np.concatenate(
            [
                (pairs[:3] * [1.0, 0.0]).ravel(),
                log_spread.ravel(),
                [_LOG_SD_SPREAD, 0.0],
                events.spread[18:],
            ]
        ),
    )


def fitted(series: Series, end: int, assumed: Assumption) -> FamilyFit:
    """The series' law and state from the checks among its first `end` occasions."""
    known = series.upto(end)
    return fit_family(series.name, "family", known, known, assumed, Direction.CLOCKWISE)


def gain_rate(fit: FamilyFit, item: int) -> Rate:
    """The drift rate of one item a year of the basis."""
    known = Mixture.of_equals(
        fit.state.rate[0, :, item : item + 1], fit.state.rate_cov[0, 0, :, item : item + 1]
    )
    s = summarise(known)
    return Rate(
        per_year=float(s.mean[0]),
        sd=float(s.sd[0]),
        lower=float(s.lower[0]),
        upper=float(s.upper[0]),
        tail_probability=float(sign_probability(known)[0]),
    )


@dataclass(frozen=True, slots=True)
class Forecasts:
    """(M,) forecasts of one method: what came, what was expected, and the 95 % interval."""

    actual: Array
    expected: Array
    lower: Array
    upper: Array


@dataclass(frozen=True, slots=True)
class Score:
    """How a method did.

    bias, rmse  of expected - actual, in the unit of the series
    width       mean width of the 95 % intervals
    covered     share of what came inside them, with its own 95 % interval (Clopper and Pearson)
                as if the forecasts were independent, which overlapping spans are not quite
    """

    forecasts: int
    bias: float
    rmse: float
    width: float
    covered: float
    covered_lower: float
    covered_upper: float


def score(forecasts: Forecasts) -> Score:
    error = forecasts.expected - forecasts.actual
    inside = (forecasts.lower <= forecasts.actual) & (forecasts.actual <= forecasts.upper)
    share = binomtest(int(inside.sum()), inside.size).proportion_ci()
    return Score(
        forecasts=inside.size,
        bias=float(error.mean()),
        rmse=float(np.sqrt((error**2).mean())),
        width=float((forecasts.upper - forecasts.lower).mean()),
        covered=float(inside.mean()),
        covered_lower=float(share.low),
        covered_upper=float(share.high),
    )


def forward_chain(
    series: Series, origins: Sequence[int], targets: Sequence[Sequence[int | None]]
) -> dict[str, tuple[Forecasts, ...]]:
    """For each method and horizon the forecasts of all origins and items together.

    origins  how many occasions are known at each origin, increasing
    targets  for each origin the occasion to be forecast at each horizon; None where there is none
    """
    assumed = vague_assumption(series.upto(origins[0]))
    horizons = len(targets[0])
    rows: dict[str, list[list[tuple[Array, Array, Array, Array]]]] = {
        method: [[] for _ in range(horizons)] for method in METHODS
    }
    for end, wanted in zip(origins, targets, strict=True):
        there = [target for target in wanted if target is not None]
        horizons_there = [h for h, target in enumerate(wanted) if target is not None]
        for method, answer in forecast(series, end, there, assumed).items():
            for row, (h, target) in enumerate(zip(horizons_there, there, strict=True)):
                rows[method][h].append((series.mean[:, target], *(part[row] for part in answer)))
    return {
        method: tuple(
            Forecasts(*(np.concatenate(column) for column in zip(*kept, strict=True)))
            for kept in by_horizon
        )
        for method, by_horizon in rows.items()
    }


Answer = tuple[Array, Array, Array]  # expected, lower, upper


def forecast(
    series: Series, end: int, targets: Sequence[int], assumed: Assumption
) -> dict[str, Answer]:
    """What each method says of the means of later occasions: (T, N) of T targets and N items.

    end  how many occasions are known
    """
    fit, known = fitted(series, end, assumed), series.upto(end)
    answers: dict[str, list[Answer]] = {method: [] for method in METHODS}
    for target in targets:
        day, count = series.day[:, target], series.count[:, target]
        answers[BY_LAW].append(_by_error_law(fit, day, count))
        answers[BY_LINE].append(_by_line(known, day))
        answers[BY_LAST].append(_by_last_value(known))
    return {
        method: (
            np.stack([answer[0] for answer in given]),
            np.stack([answer[1] for answer in given]),
            np.stack([answer[2] for answer in given]),
        )
        for method, given in answers.items()
    }


def _by_error_law(fit: FamilyFit, day: Array, count: Array) -> Answer:
    ahead = outlook(fit, day)
    total = ahead.at(1.0)
    scatter = ahead.law.scatter_variance(np.ones(len(day))) / count
    # One block of components an event: without one, a knock, a stray check.
    s = summarise(total.plus(np.tile(scatter, (total.mean.shape[0] // ahead.law.size, 1))))
    return s.mean, s.lower, s.upper


def _by_line(known: Histories, day: Array) -> Answer:
    """Ordinary least squares through the occasions of each item, and its textbook interval."""
    n = known.year.shape[1]
    t = known.year - known.year.mean(axis=1, keepdims=True)
    y = known.mean_pct[..., 0]
    slope = (t * y).sum(axis=1) / (t**2).sum(axis=1)
    residual = y - y.mean(axis=1, keepdims=True) - slope[:, None] * t
    s2 = (residual**2).sum(axis=1) / (n - 2)
    ahead = (day - known.day[:, 0]) / DAYS_PER_YEAR - known.year.mean(axis=1)
    expected = y.mean(axis=1) + slope * ahead
    spread = np.sqrt(s2 * (1 + 1 / n + ahead**2 / (t**2).sum(axis=1)))
    half = student.ppf(0.975, n - 2) * spread
    return expected, expected - half, expected + half


def _by_last_value(known: Histories) -> Answer:
    """The last occasion's mean; the changes so far say how far the next may be."""
    y = known.mean_pct[..., 0]
    changes = np.diff(y, axis=1)
    half = student.ppf(0.975, changes.shape[1]) * np.sqrt((changes**2).mean(axis=1))
    return y[:, -1], y[:, -1] - half, y[:, -1] + half


def ahead_by_days(
    series: Series, origins: Sequence[int], spans: Sequence[float], tolerance: float
) -> list[list[int | None]]:
    """For each origin the occasion nearest to each span after its last check, if near enough."""
    day = series.day[0]
    targets: list[list[int | None]] = []
    for end in origins:
        last = day[:end][series.used[:end]][-1]
        row: list[int | None] = []
        for span in spans:
            nearest = int(np.abs(day - last - span).argmin())
            near = abs(day[nearest] - last - span) <= tolerance and nearest >= end
            row.append(nearest if near else None)
        targets.append(row)
    return targets


def ahead_by_occasions(
    series: Series, origins: Sequence[int], steps: Sequence[int]
) -> list[list[int | None]]:
    """For each origin the occasion that many occasions on, if there is one."""
    return [
        [end - 1 + step if end - 1 + step < series.occasions else None for step in steps]
        for end in origins
    ]
