"""How a family scatters: its proportional and its constant part, with the doubt about both.

The variance of one reading at x = target / full scale is rho² + (alpha / x)². The family's law is
a set of equally likely ones: an estimate is their median, an interval their central quantiles.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.family import FamilyLaws, Source

CREDIBILITY: Final = 0.95


@dataclass(frozen=True, slots=True)
class ScatterPart:
    """Posterior median of an SD, and its central interval."""

    sd: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class ScatterLaw:
    """Scatter of one reading of a wrench of the family.

    family, source  as in FamilyFit
    wrenches, checks  how many the law was learnt from
    rho_pct      proportional part, % of reading
    alpha_pct    constant part, % of full scale
    """

    family: str
    source: Source
    wrenches: int
    checks: int
    rho_pct: ScatterPart
    alpha_pct: ScatterPart
    credibility: float


def scatter_law(family: FamilyLaws, credibility: float = CREDIBILITY) -> ScatterLaw:
    """The scatter of a family from its equally likely laws."""

    def part(draws: Array) -> ScatterPart:
        tail = (1 - credibility) / 2
        lower, median, upper = np.quantile(draws, [tail, 0.5, 1 - tail])
        return ScatterPart(sd=float(median), lower=float(lower), upper=float(upper))

    law = family.law
    return ScatterLaw(
        family=family.name,
        source=family.source,
        wrenches=family.wrenches,
        checks=family.checks,
        rho_pct=part(law.rho_pct),
        alpha_pct=part(law.alpha_pct),
        credibility=credibility,
    )
