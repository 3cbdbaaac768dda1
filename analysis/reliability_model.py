"""Share of tools still in tolerance as a function of the time since they were last adjusted.

    exponential  R(t) = exp(-λ t)                      failures come at a constant rate
    Weibull      R(t) = exp(-(λ t)^β)                  β > 1: wear; β < 1: early failures
    random walk  R(t) = erf(1 / sqrt(θ1 + θ2 t))       the error wanders between fixed limits; with
                                                       θ1 > 0 some are out from the first day

Each is also given by the time at which it crosses a reliability target and a shape that is then
left free, so that a likelihood speaks of that time directly:

    ln R(t) = (t / t*)^β ln R*,        R(t) = erf(1 / sqrt(c (s + (1 - s) t / t*))), c = θ1 + θ2 t*

Time is in any unit, common to all arguments.

Sources: NCSL RP-1, Establishment and Adjustment of Calibration Intervals; NASA-HDBK-8739.19-5
(formulas from memory).
"""

from collections.abc import Callable, Mapping
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence


class ReliabilityModel(StrEnum):
    EXPONENTIAL = "exponential"
    WEIBULL = "weibull"
    RANDOM_WALK = "random_walk"


def exponential(time: ArrayLike, rate: float) -> Array:
    """exp(-rate time)."""
    return np.exp(-rate * np.asarray(time, dtype=np.float64))


def weibull(time: ArrayLike, rate: float, shape: float) -> Array:
    """exp(-(rate time)^shape)."""
    return np.asarray(np.exp(-((rate * np.asarray(time, dtype=np.float64)) ** shape)))


def random_walk(time: ArrayLike, at_start: float, growth: float) -> Array:
    """erf(1 / sqrt(at_start + growth time)), the sum above zero.

    The same as P(|e| <= L) for an error e normal about zero with variance L² (θ1 + θ2 t) / 2.
    """
    from scipy.special import erf

    return np.asarray(erf(1.0 / np.sqrt(at_start + growth * np.asarray(time, dtype=np.float64))))


def reliability(model: ReliabilityModel, time: ArrayLike, parameters: Mapping[str, float]) -> Array:
    """R(time) of a model by the parameters of its function above."""
    functions: dict[ReliabilityModel, Callable[..., Array]] = {
        ReliabilityModel.EXPONENTIAL: exponential,
        ReliabilityModel.WEIBULL: weibull,
        ReliabilityModel.RANDOM_WALK: random_walk,
    }
    return functions[model](time, **parameters)


def log_reliability(
    model: ReliabilityModel, time: Array, crossing: ArrayLike, shape: ArrayLike, target: float
) -> Array:
    """ln R(time) of the model that crosses `target` at the time `crossing`.

    shape   Weibull: β; random walk: s in [0, 1); exponential: ignored
    target  R*, in (0, 1)
    Arguments are broadcast.
    """
    from scipy.special import erf, erfinv

    relative = time / np.asarray(crossing, dtype=np.float64)
    if model is ReliabilityModel.EXPONENTIAL:
        return np.asarray(relative * np.log(target))
    free = np.asarray(shape, dtype=np.float64)
    if model is ReliabilityModel.WEIBULL:
        return np.asarray(relative**free * np.log(target))
    total = 1.0 / erfinv(target) ** 2
    spread = total * (free + (1.0 - free) * relative)
    with np.errstate(divide="ignore"):  # no spread at all: erf of infinity
        return np.asarray(np.log(erf(1.0 / np.sqrt(spread))))


def parameters_at(
    model: ReliabilityModel, crossing: float, shape: float, target: float
) -> dict[str, float]:
    """The parameters of `reliability` for the arguments of `log_reliability`."""
    from scipy.special import erfinv

    if model is ReliabilityModel.RANDOM_WALK:
        total = 1.0 / float(erfinv(target)) ** 2
        return {"at_start": total * shape, "growth": total * (1.0 - shape) / crossing}
    power = shape if model is ReliabilityModel.WEIBULL else 1.0
    rate = float((-np.log(target)) ** (1.0 / power)) / crossing
    return {"rate": rate} | ({"shape": shape} if model is ReliabilityModel.WEIBULL else {})


def scaled_interval(interval: float, observed: float, target: float) -> float:
    """The interval that would meet `target`, from the share found in tolerance after `interval`.

    I' = I ln(target) / ln(observed): the exponential model through one point, so a failure rate
    that grows with age is extrapolated too far when the interval is lengthened.

    interval  any unit, that of the answer
    observed  share found in tolerance at the end of it
    target    in (0, 1)

    Raises NotEnoughEvidence when all or none were found in tolerance.
    Source: NCSL RP-1, exponential scaling (from memory).
    """
    if not 0.0 < observed < 1.0:
        which = "every check" if observed >= 1.0 else "no check"
        raise NotEnoughEvidence(
            because=f"{which} found its tool in tolerance, which fixes no failure rate",
            needed="checks of both kinds, or a bound from the number of checks",
        )
    return float(interval * np.log(target) / np.log(observed))
