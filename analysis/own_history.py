"""Drift of one wrench from its own readings alone: a mixed model by REML, nothing borrowed.

For the readings of the current segment in one direction,

    d = g0 + o0 / x + (g1 + o1 / x) t + s_G + s_O / x + e,     Var e = k v(x)

with v(x) the family's scatter and k free, and s_G, s_O the independent effects of each check.
Dividing each row by sqrt(v) makes it a linear mixed model with two random coefficients for the
check, fitted by statsmodels' MixedLM. The rate's interval uses
Student's t on checks - 2 degrees of freedom: a check is one piece of evidence about drift,
however many readings it holds.
Reference: J. Pinheiro, D. Bates, Mixed-Effects Models in S and S-PLUS (2000), chapter 2.
"""

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence

FEWEST_CHECKS: Final = 3


@dataclass(frozen=True, slots=True)
class OwnRate:
    """A drift rate with its interval and test from the wrench's own readings.

    per_year      gain: % of reading, offset: % of full scale
    lower, upper  95 % interval
    p_value       two-sided, of no drift
    """

    per_year: float
    standard_error: float
    lower: float
    upper: float
    p_value: float


@dataclass(frozen=True, slots=True)
class OwnHistory:
    """The single-wrench fit.

    gain, offset  drift rates
    check_sd      SDs of the check's effect, (gain in % of reading, offset in % of full scale)
    checks, degrees_of_freedom
    converged     whether the optimiser was satisfied; where a variance is zero it may not be
    """

    gain: OwnRate
    offset: OwnRate
    check_sd: tuple[float, float]
    checks: int
    degrees_of_freedom: int
    converged: bool


def fit_own_history(
    years: Array, x: Array, deviation_pct: Array, check: Array, scatter_variance: Array
) -> OwnHistory | NotEnoughEvidence:
    """Fit the readings of one segment; every argument is (n,), one entry a reading.

    years             since any origin
    x                 target / full scale
    deviation_pct     % of reading
    check             labels of the checks
    scatter_variance  v(x) of the family, % squared

    NotEnoughEvidence (as a value) with fewer than three checks on different days, or with a single
    target, where gain and offset cannot be told apart.
    """
    checks = len(np.unique(check))
    if checks < FEWEST_CHECKS or len(np.unique(years)) < FEWEST_CHECKS:
        return NotEnoughEvidence(
            because=f"this segment has {checks} check{'s' * (checks != 1)} and a rate of the "
            f"wrench's own needs {FEWEST_CHECKS} on different days",
            needed=f"{max(1, FEWEST_CHECKS - checks)} more would do; until then the family's rate "
            "stands in",
        )
    if len(np.unique(x)) < 2:
        return NotEnoughEvidence(
            because="all readings are at one target, so gain and offset cannot be told apart",
            needed="a check with targets low and high in the range would do",
        )
    from scipy.special import stdtr, stdtrit  # slow to import, as is statsmodels
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

    root = np.sqrt(scatter_variance)
    t = years - years.mean()
    design = np.stack([np.ones_like(x), 1 / x, t, t / x], axis=1) / root[:, None]
    model = MixedLM(deviation_pct / root, design, groups=check, exog_re=design[:, :2])
    independent = MixedLMParams.from_components(fe_params=np.ones(4), cov_re=np.eye(2))
    with warnings.catch_warnings():
        # A check effect estimated as zero lies on the boundary: a finding, not a fault.
        warnings.simplefilter("ignore")
        fit = model.fit(reml=True, free=independent, method=["bfgs", "lbfgs", "powell"])
    freedom = checks - 2
    t95 = float(stdtrit(freedom, 0.975))

    def rate(index: int) -> OwnRate:
        estimate, error = float(fit.fe_params[index]), float(fit.bse_fe[index])
        return OwnRate(
            per_year=estimate,
            standard_error=error,
            lower=estimate - t95 * error,
            upper=estimate + t95 * error,
            p_value=float(2 * stdtr(freedom, -abs(estimate / error))),
        )

    return OwnHistory(
        gain=rate(2),
        offset=rate(3),
        check_sd=(float(np.sqrt(fit.cov_re[0, 0])), float(np.sqrt(fit.cov_re[1, 1]))),
        checks=checks,
        degrees_of_freedom=freedom,
        converged=bool(fit.converged),
    )
