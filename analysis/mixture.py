"""Mixtures of normal distributions, as averaging over the family's laws and events leaves them."""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array
from analysis.bracketed_root import bracketed_roots


@dataclass(frozen=True, slots=True)
class Mixture:
    """Components along the first axis: mean, variance and weight, each (K, ...).

    The weights of each mixture sum to one.
    """

    mean: Array
    variance: Array
    weight: Array

    @classmethod
    def of_equals(cls, mean: Array, variance: Array) -> "Mixture":
        """Components of equal weight."""
        return cls(mean, variance, np.full(mean.shape, 1.0 / mean.shape[0]))

    def plus(self, variance: Array) -> "Mixture":
        """The mixture of the sum with independent normal noise of that variance, (K, ...)."""
        return Mixture(self.mean, self.variance + variance, self.weight)


@dataclass(frozen=True, slots=True)
class Summary:
    """Mean, standard deviation and 95 % interval of a mixture, each of shape (...)."""

    mean: Array
    sd: Array
    lower: Array
    upper: Array


def mixture_cdf(mixture: Mixture, value: Array) -> Array:
    """P(value or less), (...)."""
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    below = ndtr((value - mixture.mean) / np.sqrt(mixture.variance))
    return np.asarray((mixture.weight * below).sum(axis=0))


def mixture_quantile(mixture: Mixture, probability: float) -> Array:
    """The value below which the mixture has the given probability."""
    (value,) = mixture_quantiles(mixture, (probability,))
    return np.asarray(value)


def mixture_quantiles(mixture: Mixture, probabilities: tuple[float, ...]) -> Array:
    """(P, ...) the values below which the mixture has each of the given probabilities."""
    asked = np.array(probabilities).reshape(-1, *(1,) * (mixture.mean.ndim - 1))
    if mixture.mean.shape[0] == 1:
        from scipy.special import ndtri

        return np.asarray(mixture.mean[0] + ndtri(asked) * np.sqrt(mixture.variance[0]))
    sd = np.sqrt(mixture.variance)
    each = Mixture(mixture.mean[:, None], mixture.variance[:, None], mixture.weight[:, None])
    low, high = (mixture.mean - 9 * sd).min(axis=0), (mixture.mean + 9 * sd).max(axis=0)
    shape = (len(probabilities), *low.shape)
    return bracketed_roots(
        lambda value: mixture_cdf(each, value) - asked,
        np.broadcast_to(low, shape),
        np.broadcast_to(high, shape),
    )


def summarise(mixture: Mixture) -> Summary:
    """Moments and 95 % interval."""
    centre = (mixture.weight * mixture.mean).sum(axis=0)
    square = (mixture.weight * (mixture.variance + (mixture.mean - centre) ** 2)).sum(axis=0)
    lower, upper = mixture_quantiles(mixture, (0.025, 0.975))
    return Summary(mean=centre, sd=np.sqrt(square), lower=lower, upper=upper)


def sign_probability(mixture: Mixture) -> Array:
    """Two-sided tail: twice the smaller of P(below zero) and P(above zero)."""
    below = mixture_cdf(mixture, np.zeros(mixture.mean.shape[1:]))
    return np.asarray(2 * np.minimum(below, 1 - below))
