"""The doubt about an estimate when readings come in clusters that are not independent within.

An estimate that solves sum over clusters of score(theta) = 0 is worked out again without each
cluster in turn, by one Newton step from the whole estimate,

    theta_(-g) = theta - (I - I_g)^-1 s_g        s_g, I_g: score and information of cluster g

and the spread of these answers gives the covariance (the delete-one jackknife). It needs no model
of what readings of one cluster share, and errs on the careful side with few clusters. Intervals
take Student's t with one degree of freedom less than clusters.

References: R. G. Miller, Biometrika 61 (1974) 1-15; R. M. Bell, D. F. McCaffrey, Survey Methodology
28 (2002) 169-181 for the one-step form with few clusters (both from memory).
"""

from dataclasses import dataclass

import numpy as np

from analysis.arrays import Array

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its interval.

    value, lower, upper
    se   standard error; on the logarithm where the interval was made there
    df   degrees of freedom behind it
    """

    value: float
    lower: float
    upper: float
    se: float
    df: float


def jackknife_covariance(score: Array, information: Array) -> Array:
    """(p, p) covariance of an estimate from the scores (G, p) and informations (G, p, p).

    Raises ValueError with fewer than two clusters.
    """
    clusters = len(score)
    if clusters < 2:
        raise ValueError("one cluster says nothing about how clusters differ")
    left = information.sum(axis=0) - information
    step = np.linalg.solve(left, (score - score.sum(axis=0))[..., None])[..., 0]
    step = step - step.mean(axis=0)
    return np.asarray((clusters - 1) / clusters * step.T @ step)


def error_of_leaving_out(without: Array) -> float:
    """Standard error of an estimate from its values (G,) with each cluster left out in turn."""
    clusters = len(without)
    return float(np.sqrt((clusters - 1) / clusters * ((without - without.mean()) ** 2).sum()))


def quantile_of_t(df: float, confidence: float = CONFIDENCE) -> float:
    """Two-sided quantile of Student's t."""
    from scipy.special import stdtrit  # slow to import

    return float(stdtrit(df, 0.5 + confidence / 2))


def positive_estimate(log_value: float, log_se: float, df: float) -> Estimate:
    """A positive number known by its logarithm; the interval is made there."""
    reach = quantile_of_t(df) * log_se
    return Estimate(
        value=float(np.exp(log_value)),
        lower=float(np.exp(log_value - reach)),
        upper=float(np.exp(log_value + reach)),
        se=log_se,
        df=df,
    )


def plain_estimate(value: float, se: float, df: float) -> Estimate:
    """A number of either sign."""
    reach = quantile_of_t(df) * se
    return Estimate(value=value, lower=value - reach, upper=value + reach, se=se, df=df)
