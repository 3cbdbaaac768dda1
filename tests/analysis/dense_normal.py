"""The error law of one wrench written out as one large normal distribution.

Every level, rate and reading is a mean plus a weighted sum of independent normal sources: the
first level, the rate, each stretch of wander, each fresh level after an adjustment, each jump,
each check's effect and each reading's scatter. What the state filter does step by step follows
here from the textbook rules of the multivariate normal, so that the two share no algebra. Knocks
and stray checks that may or may not have happened are followed one by one, all combinations. Each
reading counts as scattered by its rounding as well: exp(-r² / 2v) more.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from math import exp

import numpy as np
from sample_histories import Story, Visit
from scipy.stats import multivariate_normal

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.history import ROUNDING_SD_PCT
from analysis.vocabulary import CheckKind

STRAY_FACTOR = 4.0
Clock = Callable[[float], float]


def in_years(day: float) -> float:
    """The clock of a drift that runs with time."""
    return day / 365.25


class _Sum:
    """A pair (gain, offset), or a number, as mean plus coefficients of the sources."""

    def __init__(self, mean: Array, weights: dict[int, Array]) -> None:
        self.mean, self.weights = mean, weights

    def plus(self, other: "_Sum", factor: float = 1.0) -> "_Sum":
        weights = dict(self.weights)
        for source, weight in other.weights.items():
            weights[source] = weights.get(source, 0.0) + factor * weight
        return _Sum(self.mean + factor * other.mean, weights)

    def at(self, z: Array) -> "_Sum":
        return _Sum(z @ self.mean, {s: z @ w for s, w in self.weights.items()})


@dataclass(frozen=True)
class Joint:
    """Joint normal of all readings with the levels on the wanted days and the rate.

    wanted   2 T + 2 numbers: (gain, offset) on each day, then the rate's
    """

    readings: Array
    reading_mean: Array
    reading_cov: Array
    wanted_mean: Array
    wanted_cov: Array
    cross_cov: Array  # wanted by readings
    rounding: float  # what hidden rounding takes from the log likelihood

    def log_likelihood(self) -> float:
        density = multivariate_normal(self.reading_mean, self.reading_cov)
        return float(density.logpdf(self.readings)) - self.rounding

    def posterior(self) -> tuple[Array, Array]:
        """Mean and covariance of the wanted numbers given all readings."""
        gain = np.linalg.solve(self.reading_cov, self.cross_cov.T).T
        mean = self.wanted_mean + gain @ (self.readings - self.reading_mean)
        return mean, self.wanted_cov - gain @ self.cross_cov.T


class _Sources:
    def __init__(self) -> None:
        self.sds: list[float] = []

    def pair(self, mean: Array, sd: Array) -> _Sum:
        first = len(self.sds)
        self.sds += [float(s) for s in sd]
        return _Sum(np.array(mean, dtype=float), {first: np.eye(2)[0], first + 1: np.eye(2)[1]})

    def single(self, sd: float) -> _Sum:
        self.sds.append(sd)
        return _Sum(np.array(0.0), {len(self.sds) - 1: np.array(1.0)})


def joint_normal(
    law: ErrorLaw,
    story: Story,
    days: Sequence[float] = (),
    *,
    clock: Clock = in_years,
    astray: Sequence[bool] = (),
) -> Joint:
    """The joint distribution under a law of size 1; `days` from the first check's on.

    On a check's own day the level after everything that happened that day is meant.
    clock   years of drift by day
    astray  which checks certainly went astray; none when empty
    """
    sources = _Sources()
    none = np.zeros(2)
    level = sources.pair(law.level_mean[0], law.level_sd[0])
    rate = sources.pair(law.rate_mean[0], law.rate_sd[0])
    events = [(v.day, 0, i) for i, v in enumerate(story.visits)]
    events += [(day, 1, i) for i, day in enumerate(days)]
    now = story.visits[0].day
    rows: list[_Sum] = []
    values: list[float] = []
    rounding = 0.0
    looks: dict[int, _Sum] = {}
    for day, is_look, index in sorted(events):
        years = (day - now) / 365.25
        if years > 0:
            level = level.plus(rate, clock(day) - clock(now))
            level = level.plus(sources.pair(none, law.wander_sd[0] * np.sqrt(years)))
        now = day
        if is_look:
            looks[index] = level
            continue
        visit = story.visits[index]
        if visit.kind is CheckKind.AS_LEFT and index:
            level = sources.pair(law.adjusted_mean[0], law.adjusted_sd[0])
        if visit.jumped:
            level = level.plus(sources.pair(none, law.knock_ratio[0] * law.level_sd[0]))
        factor = STRAY_FACTOR if astray and astray[index] else 1.0
        met = level.plus(sources.pair(none, factor * law.check_sd[0]))
        for x, deviation in visit.readings:
            scatter = np.hypot(law.rho_pct[0], law.alpha_pct[0] / x)
            rows.append(met.at(np.array([1.0, 1.0 / x])).plus(sources.single(float(scatter))))
            values.append(deviation)
            rounding += (ROUNDING_SD_PCT / scatter) ** 2 / 2
    wanted = [looks[i].at(e) for i in range(len(days)) for e in np.eye(2)]
    wanted += [rate.at(e) for e in np.eye(2)]

    def matrix(sums: list[_Sum]) -> Array:
        table = np.zeros((len(sums), len(sources.sds)))
        for row, one in enumerate(sums):
            for source, weight in one.weights.items():
                table[row, source] = weight
        return table * np.array(sources.sds)

    a, b = matrix(rows), matrix(wanted)
    return Joint(
        readings=np.array(values),
        reading_mean=np.array([float(r.mean) for r in rows]),
        reading_cov=a @ a.T,
        wanted_mean=np.array([float(w.mean) for w in wanted]),
        wanted_cov=b @ b.T,
        cross_cov=b @ a.T,
        rounding=float(rounding),
    )


@dataclass(frozen=True)
class Enumerated:
    """The law with events, exactly: every combination of them as a normal of its own."""

    log_likelihood: float
    mean: Array
    cov: Array
    knocked: Array  # (C,) probability of a knock before each check
    astray: Array  # (C,) probability that each check went astray


def enumerate_events(law: ErrorLaw, story: Story, days: Sequence[float]) -> Enumerated:
    """Likelihood, posterior of the wanted numbers and event probabilities; 3 to the C normals.

    Before each check one of three: nothing, a knock, or the check goes astray. No knock before the
    first check or at an adjustment.
    """
    visits = story.visits
    choices: list[list[tuple[str, float]]] = []
    for c, visit in enumerate(visits):
        gap = (visit.day - visits[c - 1].day) / 365.25 if c else 0.0
        left = c > 0 and visit.kind is CheckKind.AS_LEFT
        knock = 0.0 if left else 1.0 - exp(-float(law.knocks_per_year[0]) * gap)
        knock = 1.0 if visit.jumped else knock
        stray = float(law.stray_share[0])
        options = [("", (1 - knock) * (1 - stray)), ("k", knock), ("s", (1 - knock) * stray)]
        choices.append([(event, chance) for event, chance in options if chance > 0])
    weights, means, covs, events = [], [], [], []
    for combination in product(*choices):
        told = [
            Visit(v.day, v.readings, v.kind, event == "k")
            for v, (event, _) in zip(visits, combination, strict=True)
        ]
        joint = joint_normal(
            law, Story(told), days, astray=[event == "s" for event, _ in combination]
        )
        weights.append(sum(np.log(p) for _, p in combination) + joint.log_likelihood())
        mean, cov = joint.posterior()
        means.append(mean)
        covs.append(cov)
        events.append([event for event, _ in combination])
    log_weights = np.array(weights)
    total = float(np.logaddexp.reduce(log_weights))
    share = np.exp(log_weights - total)
    centre = share @ np.array(means)
    away = np.array(means) - centre
    return Enumerated(
        log_likelihood=total,
        mean=centre,
        cov=np.einsum("b,bij->ij", share, np.array(covs)) + (share[:, None] * away).T @ away,
        knocked=share @ (np.array(events) == "k"),
        astray=share @ (np.array(events) == "s"),
    )
