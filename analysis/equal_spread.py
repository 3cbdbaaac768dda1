"""Do groups of readings scatter alike?"""

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.arrays import Array


@dataclass(frozen=True, slots=True)
class SpreadTest:
    """A test that all groups have the same spread.

    statistic
    df            of the reference distribution: (k - 1, N - k) for F, (k - 1,) for chi-squared
    p_value       small: they do not
    method
    """

    statistic: float
    df: tuple[int, ...]
    p_value: float
    method: str


def brown_forsythe(groups: Sequence[Array]) -> SpreadTest:
    """Levene's test about the medians: one-way F of |reading - median of its group|.

    groups  k samples in one unit, k >= 2, at least two readings each

    Keeps its level for readings that are not normal, unlike `bartlett`.
    Source: M. B. Brown, A. B. Forsythe, JASA 69 (1974) 364-367; e-Handbook 1.3.5.10.
    """
    from scipy.stats import levene  # over a second to import

    count = sum(group.size for group in groups)
    found = levene(*groups, center="median")
    return SpreadTest(
        statistic=float(found.statistic),
        df=(len(groups) - 1, count - len(groups)),
        p_value=float(found.pvalue),
        method="Brown-Forsythe",
    )


def bartlett(groups: Sequence[Array]) -> SpreadTest:
    """Bartlett's test: more powerful than `brown_forsythe`, but only for normal readings.

    Source: e-Handbook 1.3.5.7.
    """
    from scipy.stats import bartlett as test

    found = test(*groups)
    return SpreadTest(
        statistic=float(found.statistic),
        df=(len(groups) - 1,),
        p_value=float(found.pvalue),
        method="Bartlett",
    )
