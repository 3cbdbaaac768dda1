"""The scatter of a family with the doubt about it."""

import numpy as np
import pytest
from sample_histories import Story, Visit, a_law, family_of, histories_of, laws_together

from analysis.scatter_law import scatter_law

RHO = np.linspace(0.2, 0.6, 41)
ALPHA = np.linspace(0.05, 0.25, 41)


def a_family():
    laws = [a_law(rho_pct=r, alpha_pct=a) for r, a in zip(RHO, ALPHA[::-1], strict=True)]
    return family_of(laws_together(*laws), histories_of(Story([Visit(0.0, [(0.2, 0.1)])])))


def test_estimates_are_the_middle_of_the_laws_and_intervals_their_central_part() -> None:
    """Of 41 values in equal steps, 2.5 % of the way lies at the first step."""
    found = scatter_law(a_family())
    assert (found.rho_pct.lower, found.rho_pct.sd, found.rho_pct.upper) == pytest.approx(
        (0.21, 0.4, 0.59)
    )
    assert (found.alpha_pct.lower, found.alpha_pct.sd, found.alpha_pct.upper) == pytest.approx(
        (0.055, 0.15, 0.245)
    )
    assert found.credibility == 0.95


def test_less_credibility_is_a_shorter_interval() -> None:
    half = scatter_law(a_family(), credibility=0.5)
    assert (half.rho_pct.lower, half.rho_pct.upper) == pytest.approx((0.3, 0.5))


def test_it_says_what_it_rests_on() -> None:
    family = a_family()
    found = scatter_law(family)
    assert (found.family, found.source) == (family.name, family.source)
    assert (found.wrenches, found.checks) == (family.wrenches, family.checks)
