"""Equally weighted mixtures of normal distributions, as averaging over the laws leaves them."""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array

_BISECTIONS = 60


@dataclass(frozen=True, slots=True)
class Summary:
    """Mean, standard deviation and 95 % interval of a mixture, each of shape (...)."""

    mean: Array
    sd: Array
    lower: Array
    upper: Array


def mixture_cdf(mean: Array, variance: Array, value: Array) -> Array:
    """P(value or less) for components along the first axis: (K, ...) and (...) to (...)."""
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    return np.asarray(ndtr((value - mean) / np.sqrt(variance)).mean(axis=0))


def mixture_quantile(mean: Array, variance: Array, probability: float) -> Array:
    """The value below which the mixture has the given probability, by bisection."""
    sd = np.sqrt(variance)
    low, high = (mean - 9 * sd).min(axis=0), (mean + 9 * sd).max(axis=0)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        below = mixture_cdf(mean, variance, middle) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)


def summarise(mean: Array, variance: Array) -> Summary:
    """Moments and 95 % interval of a mixture with components along the first axis."""
    centre = mean.mean(axis=0)
    spread = np.sqrt(variance.mean(axis=0) + mean.var(axis=0))
    return Summary(
        mean=centre,
        sd=spread,
        lower=mixture_quantile(mean, variance, 0.025),
        upper=mixture_quantile(mean, variance, 0.975),
    )


def sign_probability(mean: Array, variance: Array) -> Array:
    """Two-sided tail: twice the smaller of P(below zero) and P(above zero)."""
    below = mixture_cdf(mean, variance, np.zeros(mean.shape[1:]))
    return np.asarray(2 * np.minimum(below, 1 - below))
