"""The likelihood of a reliability model as a function of the interval at the target alone.

For each interval t* the model's shape takes its most likely value. Several models are compared by
likelihood less number of parameters (Akaike), and the interval of t* is what the best of them, at
each t*, leaves likely enough: the chosen model alone would look too sure, for by chance another
would have been chosen.

Source: P. D. Dauncey, M. Kenzie, N. Wardle, G. J. Davies, J. Instrumentation 10 (2015) P04015
(profile likelihood over models; from memory, coverage checked by simulation).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.pass_fail import PassFail
from analysis.reliability_model import ReliabilityModel, log_reliability, parameters_at

_FARTHEST: Final = 1e4  # how far beyond the times seen t* is looked for
_ZOOMS: Final = 3
_POINTS: Final = 15
# Ranges of the free shape: logarithm of the Weibull exponent; share s of the random walk.
_SHAPES: Final = {
    ReliabilityModel.EXPONENTIAL: (0.0, 0.0),
    ReliabilityModel.WEIBULL: (math.log(0.2), math.log(10.0)),
    ReliabilityModel.RANDOM_WALK: (0.0, 0.999),
}


@dataclass(frozen=True, slots=True)
class ModelFit:
    """One model at its most likely parameters.

    interval_days  t*, where it crosses the target
    parameters     by their names in `reliability_model`, time in days
    aic            Akaike's criterion, 2 (number of parameters) - 2 log likelihood
    """

    model: ReliabilityModel
    interval_days: float
    parameters: Mapping[str, float]
    log_likelihood: float
    aic: float


def _log_likelihood(
    verdicts: PassFail, model: ReliabilityModel, target: float
) -> Callable[[Array, Array], Array]:
    """Of (...) arrays of ln t* and shape; equal verdicts are counted once."""
    cases, count = np.unique(
        np.stack([verdicts.known_in, verdicts.checked, verdicts.passed]), axis=1, return_counts=True
    )
    known_in, checked, passed = cases[0], cases[1], cases[2] > 0
    weibull = model is ReliabilityModel.WEIBULL

    def of(log_crossing: Array, shape: Array) -> Array:
        crossing = np.exp(log_crossing)[..., None]
        free = (np.exp(shape) if weibull else shape)[..., None]
        log_in = log_reliability(model, checked, crossing, free, target)
        if known_in.any():
            log_in = log_in - log_reliability(model, known_in, crossing, free, target)
        # The tiniest probability stands for none: one verdict cannot make the sum infinite.
        log_out = np.log(np.maximum(-np.expm1(log_in), 1e-300))
        return np.asarray((count * np.where(passed, np.maximum(log_in, -690.0), log_out)).sum(-1))

    return of


class Profile:
    """The likelihood of one model as a function of ln t*, its shape always the most likely."""

    def __init__(self, verdicts: PassFail, model: ReliabilityModel, target: float) -> None:
        from scipy.optimize import minimize_scalar

        self.model, self.target = model, target
        self._log_likelihood = _log_likelihood(verdicts, model, target)
        self._least = math.log(float(verdicts.checked.min()) / _FARTHEST)
        self._most = math.log(float(verdicts.checked.max()) * _FARTHEST)
        grid = np.linspace(self._least, self._most, 80)
        shapes = np.linspace(*_SHAPES[model], _POINTS)
        top = int(self._log_likelihood(grid[:, None], shapes[None]).max(axis=1).argmax())
        found = minimize_scalar(
            lambda at: -self.at(at)[0],
            bounds=(float(grid[max(top - 1, 0)]), float(grid[min(top + 1, len(grid) - 1)])),
            method="bounded",
            options={"xatol": 1e-7},
        )
        self.best = float(found.x)
        self.height, self.shape = self.at(self.best)
        self.aic = 2.0 * (1 if model is ReliabilityModel.EXPONENTIAL else 2) - 2.0 * self.height

    def at(self, log_crossing: float) -> tuple[float, float]:
        """Height and shape at ln t*: ever finer grids about the best shape."""
        low, high = _SHAPES[self.model]
        fine = (high - low) * (2.0 / _POINTS) ** _ZOOMS
        while True:
            shapes = np.linspace(low, high, _POINTS if high > low else 1)
            heights = self._log_likelihood(np.full(shapes.shape, log_crossing), shapes)
            best = int(heights.argmax())
            if high - low <= fine:
                return float(heights[best]), float(shapes[best])
            low, high = shapes[max(best - 1, 0)], shapes[min(best + 1, len(shapes) - 1)]

    def ends(self, drop: float) -> tuple[float | None, float | None]:
        """t* on either side at which the profile has fallen by `drop`; None: nowhere in reach."""
        return self._end(self._least, drop), self._end(self._most, drop)

    def _end(self, limit: float, drop: float) -> float | None:
        from scipy.optimize import brentq

        def left(at: float) -> float:
            return self.at(at)[0] - self.height + drop

        before, here, step = self.best, self.best, math.copysign(0.05, limit - self.best)
        while left(here) > 0.0:
            if (limit - here) * step <= 0.0:
                return None
            before, here, step = here, here + step, 1.5 * step
        return math.exp(brentq(left, before, here, xtol=1e-6)) if here != before else math.exp(here)

    def fit(self) -> ModelFit:
        shape = math.exp(self.shape) if self.model is ReliabilityModel.WEIBULL else self.shape
        interval = math.exp(self.best)
        return ModelFit(
            model=self.model,
            interval_days=interval,
            parameters=parameters_at(self.model, interval, shape, self.target),
            log_likelihood=self.height,
            aic=self.aic,
        )


def interval_over_models(
    profiles: Sequence[Profile], confidence: float
) -> tuple[float | None, float | None]:
    """All t* that some model finds likely enough, its parameters paid for."""
    from scipy.special import chdtri

    reach = float(chdtri(1, 1.0 - confidence))
    best = min(profile.aic for profile in profiles)
    ends = [
        profile.ends((best + reach - profile.aic) / 2.0)
        for profile in profiles
        if profile.aic < best + reach
    ]
    lows, highs = zip(*ends, strict=True)
    return (
        None if None in lows else min(lows),
        None if None in highs else max(highs),
    )
