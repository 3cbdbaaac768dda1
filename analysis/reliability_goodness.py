"""Does a reliability model agree with the verdicts: observed shares by age, and chi-squared."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.pass_fail import PassFail, binomial_limits
from analysis.reliability_model import ReliabilityModel, reliability


@dataclass(frozen=True, slots=True)
class AgeGroup:
    """Checks at like times since renewal: the share that passed beside what the model expects.

    low, high  95 % binomial interval of the share
    """

    from_days: float
    to_days: float
    checks: int
    passed: int
    low: float
    high: float
    expected: float


@dataclass(frozen=True, slots=True)
class GoodnessOfFit:
    """Pearson's chi-squared over groups of age; p None when no degree of freedom is left."""

    groups: tuple[AgeGroup, ...]
    chi_squared: float
    degrees_of_freedom: int
    p_value: float | None


def goodness_of_fit(
    verdicts: PassFail, model: ReliabilityModel, parameters: Mapping[str, float]
) -> GoodnessOfFit:
    """How well a model that was fitted to these verdicts agrees with them.

    Groups of about a sixth of the checks, with at least one failure and one pass expected in each;
    the reference distribution is approximate while few are.
    """
    from scipy.special import chdtrc

    expected = reliability(model, verdicts.checked, parameters)
    if verdicts.known_in.any():
        expected = expected / reliability(model, verdicts.known_in, parameters)
    order = np.argsort(verdicts.checked, kind="stable")
    age, passed, expected = verdicts.checked[order], verdicts.passed[order], expected[order]
    cuts, start, least = [0], 0, verdicts.size / 6.0
    for i in range(1, verdicts.size + 1):
        whole = i == verdicts.size or age[i] > age[i - 1]
        chance = expected[start:i]
        if whole and i - start >= least and min(chance.sum(), (1.0 - chance).sum()) >= 1.0:
            cuts.append(i)
            start = i
    # What is left at the end joins the last group.
    cuts = [*cuts[:-1], verdicts.size] if len(cuts) > 1 else [0, verdicts.size]
    groups, chi_squared = [], 0.0
    for low, high in pairwise(cuts):
        chance, seen = expected[low:high], int(passed[low:high].sum())
        limits = binomial_limits(seen, high - low, 0.025)
        variance = float((chance * (1.0 - chance)).sum())
        chi_squared += (seen - float(chance.sum())) ** 2 / variance
        groups.append(
            AgeGroup(
                from_days=float(age[low]),
                to_days=float(age[high - 1]),
                checks=high - low,
                passed=seen,
                low=limits[0],
                high=limits[1],
                expected=float(chance.mean()),
            )
        )
    df = len(groups) - len(parameters)
    return GoodnessOfFit(
        groups=tuple(groups),
        chi_squared=chi_squared,
        degrees_of_freedom=max(df, 0),
        p_value=float(chdtrc(df, chi_squared)) if df > 0 else None,
    )
