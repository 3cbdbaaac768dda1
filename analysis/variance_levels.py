"""Scatter at two levels: within a group of readings, and from group to group.

A group is a check (or a laboratory, a day, an instrument). With MSB and MSW the mean squares
between and within groups on df_b and df_w degrees of freedom, and n the readings per group,

    E MSW = s_w²,     E MSB = s_w² + n s_b²,     total = s_w² + s_b²

and with effects fixed beside the groups (targets, segments, a trend) MSB is what groups explain
beyond those, and n = trace(Z' M Z) / df_b (Henderson's method III; the plain n when balanced).

Sources: one-way components and F, JCGM 100:2008 (GUM) H.5 and ISO 5725-2:2019; fitting of
constants, C. R. Henderson, Biometrics 9 (1953) 226-252; intervals of s_b and of the total, modified
large sample method, R. K. Burdick and F. A. Graybill, Confidence Intervals on Variance Components
(1992), chapter 3 (from memory, checked by simulation of coverage); effective degrees of freedom,
F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.random_intercept import RandomIntercept, fit_random_intercept

# Eigenvalues that differ by less are equal: the data are balanced and the closed form is REML.
_BALANCE = 1e-9


@dataclass(frozen=True, slots=True)
class SdEstimate:
    """A standard deviation with what it rests on.

    sd         in the unit of the readings
    df         degrees of freedom, effective ones where it is a combination
    low, high  two-sided interval at the confidence of the result it belongs to
    """

    sd: float
    df: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class VarianceLevels:
    """Variance components of readings in groups, in the unit of the readings.

    within                   sqrt(MSW), exact chi-squared interval
    between                  s_b; zero when groups differ no more than readings do (`at_zero`)
    total                    sqrt(s_w² + s_b²): a reading of a group not seen yet
    mean, mean_u             general mean and its standard uncertainty, from the REML fit
    sum_between, sum_within  sums of squares
    df_between, df_within
    f, p_value               MSB / MSW and its upper tail: do groups differ at all
    readings_per_group       n above; not a whole number when unbalanced
    groups, readings         numbers used
    at_zero                  the estimate of s_b is on its boundary
    reml                     the restricted likelihood fit: its within variance pools both levels
                             when s_b is zero; None when readings of a group never differ
    confidence               of all intervals
    method                   `balanced closed form` or `REML`
    """

    within: SdEstimate
    between: SdEstimate
    total: SdEstimate
    mean: float
    mean_u: float
    sum_between: float
    sum_within: float
    df_between: int
    df_within: int
    f: float
    p_value: float
    readings_per_group: float
    groups: int
    readings: int
    at_zero: bool
    reml: RandomIntercept | None
    confidence: float
    method: str


def variance_levels(
    values: ArrayLike,
    group: ArrayLike,
    *,
    fixed: Array | None = None,
    confidence: float = 0.95,
) -> VarianceLevels:
    """Variance components of N readings in k groups.

    values      (N,) readings
    group       (N,) label of the group of each
    fixed       (N, q) effects to allow for beside a constant, e.g. one column per target; columns
                that say nothing new are dropped
    confidence  of the intervals, in (0, 1)

    Raises NotEnoughEvidence when no degree of freedom is left between or within groups.
    """
    y = np.asarray(values, dtype=np.float64)
    labels, index = np.unique(np.asarray(group), return_inverse=True)
    shift = float(y[0])
    y = y - shift  # constant leading digits would be lost in the squares
    design = _design(fixed, y.size)
    member = np.zeros((y.size, labels.size))
    member[np.arange(y.size), index] = 1.0

    basis = np.linalg.qr(design)[0]
    rest = y - basis @ (basis.T @ y)
    member = member - basis @ (basis.T @ member)
    left, spectrum, _ = np.linalg.svd(member, full_matrices=False)
    spectrum = spectrum[spectrum > 1e-9 * math.sqrt(y.size)]
    df_between = spectrum.size
    df_within = y.size - design.shape[1] - df_between
    if df_between < 1:
        raise NotEnoughEvidence(
            because="the groups are too few to tell their scatter from fixed effects",
            needed="at least one more group of readings",
        )
    if df_within < 1:
        raise NotEnoughEvidence(
            because="no group holds more than one reading",
            needed="repeat the reading in at least one group",
        )
    left = left[:, :df_between]
    explained = left @ (left.T @ rest)
    sum_between = float(explained @ explained)
    sum_within = float(((rest - explained) ** 2).sum())
    # Equal readings leave only the rounding of what was subtracted from them.
    rounding = np.finfo(np.float64).eps * (float(np.abs(rest).max()) + abs(shift))
    if sum_within <= y.size * (4.0 * rounding) ** 2:
        sum_within = 0.0
    per_group = float((spectrum**2).mean())
    balanced = bool(np.ptp(spectrum**2) <= _BALANCE * per_group)

    msb, msw = sum_between / df_between, sum_within / df_within
    ratio = max(0.0, msb / msw - 1.0) / per_group if msw > 0 else math.inf
    reml = None
    between_variance, mean, mean_u = (
        msb / per_group,
        shift + float(y.mean()),
        math.sqrt(msb / y.size),
    )
    if msw > 0:
        reml = fit_random_intercept(y, index, design, ratio=ratio if balanced else None)
        between_variance = reml.between_variance
        if balanced and ratio > 0:
            between_variance = (msb - msw) / per_group
        level = np.zeros_like(reml.estimates)
        level[0] = shift
        reml = replace(reml, estimates=reml.estimates + level)
        mean, mean_u = float(reml.estimates[0]), math.sqrt(float(reml.covariance[0, 0]))
    f = msb / msw if msw > 0 else (math.inf if msb > 0 else math.nan)
    return VarianceLevels(
        within=within_estimate(sum_within, df_within, confidence),
        between=_between(
            between_variance, (msb, msw), (df_between, df_within), per_group, confidence
        ),
        total=_total(between_variance, (msb, msw), (df_between, df_within), per_group, confidence),
        mean=mean,
        mean_u=mean_u,
        sum_between=sum_between,
        sum_within=sum_within,
        df_between=df_between,
        df_within=df_within,
        f=f,
        p_value=_f_tail(f, df_between, df_within),
        readings_per_group=per_group,
        groups=labels.size,
        readings=y.size,
        at_zero=between_variance == 0.0,
        reml=reml,
        confidence=confidence,
        method="balanced closed form" if balanced else "REML",
    )


def variance_levels_from_summaries(
    mean: ArrayLike, sd: ArrayLike, count: ArrayLike, *, confidence: float = 0.95
) -> VarianceLevels:
    """The same from (k,) group means, group SDs (n - 1) and numbers of readings, where only those
    were published.

    Readings with these means and SDs are made up and analysed: mean, SD and number are all that
    the readings of a group tell.
    """
    values: list[float] = []
    group: list[int] = []
    for index, (m, s, n) in enumerate(zip(*map(np.asarray, (mean, sd, count)), strict=True)):
        half = float(s) * math.sqrt((n - 1) / 2)
        pair = [m - half, m + half] if n > 1 else [m]
        values += pair + [m] * (int(n) - len(pair))
        group += [index] * int(n)
    return variance_levels(values, group, confidence=confidence)


def within_estimate(sum_squares: float, df: int, confidence: float = 0.95) -> SdEstimate:
    """SD of `df` pooled degrees of freedom, with the exact interval for normal readings."""
    from scipy.special import chdtri

    tail = (1.0 - confidence) / 2.0
    return SdEstimate(
        sd=math.sqrt(sum_squares / df),
        df=float(df),
        low=math.sqrt(sum_squares / float(chdtri(df, tail))),
        high=math.sqrt(sum_squares / float(chdtri(df, 1.0 - tail))),
    )


def _design(fixed: Array | None, n: int) -> Array:
    """A constant and the centred further columns, those that depend on earlier ones left out."""
    columns = [np.ones(n)]
    for column in () if fixed is None else fixed.T:
        centred = column - column.mean()
        basis = np.linalg.qr(np.column_stack(columns))[0]
        new = centred - basis @ (basis.T @ centred)
        if np.linalg.norm(new) > 1e-9 * max(float(np.linalg.norm(column)), 1e-300):
            columns.append(centred)
    return np.column_stack(columns)


def _between(
    variance: float,
    mean_squares: tuple[float, float],
    dfs: tuple[int, int],
    per_group: float,
    confidence: float,
) -> SdEstimate:
    """Modified large sample interval of (E MSB - E MSW) / n, and Satterthwaite's df."""
    from scipy.special import chdtri, fdtri

    (s1, s2), (n1, n2) = mean_squares, dfs
    tail = (1.0 - confidence) / 2.0
    g1 = 1.0 - n1 / float(chdtri(n1, tail))
    g2 = 1.0 - n2 / float(chdtri(n2, tail))
    h1 = n1 / float(chdtri(n1, 1.0 - tail)) - 1.0
    h2 = n2 / float(chdtri(n2, 1.0 - tail)) - 1.0
    upper, lower = float(fdtri(n1, n2, 1.0 - tail)), float(fdtri(n1, n2, tail))
    g12 = ((upper - 1.0) ** 2 - (g1 * upper) ** 2 - h2**2) / upper
    h12 = ((1.0 - lower) ** 2 - (h1 * lower) ** 2 - g2**2) / lower
    below = max(0.0, (g1 * s1) ** 2 + (h2 * s2) ** 2 + g12 * s1 * s2)
    above = max(0.0, (h1 * s1) ** 2 + (g2 * s2) ** 2 + h12 * s1 * s2)
    scale = (s1 / per_group) ** 2 / n1 + (s2 / per_group) ** 2 / n2
    return SdEstimate(
        sd=math.sqrt(variance),
        df=variance**2 / scale if scale > 0 else 0.0,
        low=math.sqrt(max(0.0, s1 - s2 - math.sqrt(below)) / per_group),
        high=math.sqrt(max(0.0, s1 - s2 + math.sqrt(above)) / per_group),
    )


def _total(
    between_variance: float,
    mean_squares: tuple[float, float],
    dfs: tuple[int, int],
    per_group: float,
    confidence: float,
) -> SdEstimate:
    """s_w² + s_b² = MSB / n + (1 - 1/n) MSW with Graybill and Wang's interval.

    MSB below MSW is chance: but for the lower limit it is raised to MSW, so that the total is never
    below the within SD. The effective df are those with which chi-squared gives the same one-sided
    upper limit, for such limits are built on them. Satterthwaite's are larger with few groups that
    differ much (about 3 where 2 are due), and limits by them hold 0.86 of the time where 0.95 is
    said.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtri

    msb, msw = mean_squares
    rest = (1.0 - 1.0 / per_group) * msw

    def reach(parts: tuple[float, float], upper_tail: float) -> float:
        return math.hypot(
            *(p * (n / float(chdtri(n, upper_tail)) - 1.0) for p, n in zip(parts, dfs, strict=True))
        )

    raised = (max(msb, msw) / per_group, rest)
    total = sum(raised)
    if total == 0.0:
        return SdEstimate(0.0, float(sum(dfs)), 0.0, 0.0)
    one_sided = 1.0 + reach(raised, confidence) / total
    df = brentq(
        lambda df: df / float(chdtri(df, confidence)) - one_sided, 0.5 * min(dfs), 2.0 * sum(dfs)
    )
    tail = (1.0 - confidence) / 2.0
    plain = (msb / per_group, rest)
    return SdEstimate(
        sd=math.sqrt(msw + between_variance),
        df=float(df),
        low=math.sqrt(max(0.0, sum(plain) - reach(plain, tail))),
        high=math.sqrt(total + reach(raised, 1.0 - tail)),
    )


def _f_tail(f: float, n1: int, n2: int) -> float:
    from scipy.special import fdtrc

    return 1.0 if math.isnan(f) else float(fdtrc(n1, n2, f))
