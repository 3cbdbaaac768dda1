"""How readings of one check scatter along the range: constant and proportional part, and a test.

The variance of a reading within its check and target is rho² + (alpha / x)², beside what rounding
adds by known steps of tester and display. The doubt is that between wrenches.

Test of alpha = 0. A variance cannot be below zero, so under the hypothesis the likelihood ratio is
zero half of the time: a mixture of chi-squared with 0 and 1 degrees of freedom, half each
(S. G. Self, K.-Y. Liang, JASA 82 (1987) 605-610, from memory). Wrenches that scatter differently
make the ratio larger than it should be, so it is divided by how much wider the doubt between
wrenches is than that between readings, and set against F with the wrenches' degrees of freedom
(J. N. K. Rao, A. J. Scott, Annals of Statistics 12 (1984) 46-60, from memory).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.clustered import Estimate
from analysis.equal_spread import SpreadTest, brown_forsythe
from analysis.errors import NotEnoughEvidence
from analysis.numerals import counted
from analysis.range_cells import RangeCells
from analysis.variance_curve import VarianceCurve, variance_curve

_FEWEST_WRENCHES: Final = 3
_FEWEST_TARGETS: Final = 2
_COARSE: Final = 2.0  # steps per standard deviation up to which W. F. Sheppard's r² / 12 holds


@dataclass(frozen=True, slots=True)
class ConstantScatterTest:
    """Test that no scatter is constant in torque (alpha = 0).

    likelihood_ratio  twice the log likelihood that alpha gains, readings taken as independent
    design_effect     variance between wrenches over that between readings, of alpha squared
    p_value           by the mixture of half a point at zero and half F(1, df)
    df                wrenches less one
    """

    likelihood_ratio: float
    design_effect: float
    p_value: float
    df: float


@dataclass(frozen=True, slots=True)
class RangeScatter:
    """The scatter of one reading within its check.

    curve       of its variance, rounding by known steps taken out
    rho_pct     proportional part, % of reading
    alpha_pct   constant part, % of full scale
    rounding_pct  what rounding adds to alpha as found: its root mean square, % of full scale
    steps_too_coarse  the steps are more than twice the scatter at the bottom: they hide it, and
                  taking their variance out no longer mends that
    no_constant_part  the test
    wrenches, checks, readings  that carry it
    """

    curve: VarianceCurve
    rho_pct: Estimate
    alpha_pct: Estimate
    rounding_pct: float
    steps_too_coarse: bool
    no_constant_part: ConstantScatterTest
    wrenches: int
    checks: int
    readings: int


def range_scatter(cells: RangeCells) -> RangeScatter:
    """Scatter along the range from the cells that hold two readings or more.

    Raises NotEnoughEvidence with fewer than three wrenches, or one target.
    """
    repeated = cells.where(cells.count >= 2)
    wrenches = len(repeated.wrenches)
    if wrenches < _FEWEST_WRENCHES or not _spread_out(repeated.x):
        raise NotEnoughEvidence(
            because=f"it rests on {counted(wrenches, 'wrench')} with repeated readings",
            needed=f"{_FEWEST_WRENCHES} wrenches, each checked at the bottom and at the top of its "
            "range with two readings or more, would do for a first answer",
        )
    df = repeated.count - 1
    known = repeated.step_variance / repeated.x**2
    curve = variance_curve(
        repeated.x, repeated.square, df, known, repeated.wrench, len(repeated.wrenches)
    )
    rounding_pct = float(np.sqrt((df * repeated.step_variance).sum() / df.sum()))
    step_at_bottom_pct = rounding_pct * np.sqrt(12) / curve.bottom
    at_bottom = np.sqrt(float(curve.variance(np.asarray(curve.bottom))))
    return RangeScatter(
        curve=curve,
        rho_pct=root_of(curve.proportional_part()),
        alpha_pct=root_of(curve.constant_part()),
        rounding_pct=rounding_pct,
        steps_too_coarse=bool(step_at_bottom_pct > _COARSE * at_bottom),
        no_constant_part=_test(curve, repeated, df, known),
        wrenches=len(repeated.wrenches),
        checks=repeated.checks,
        readings=int(repeated.count.sum()),
    )


def _spread_out(x: Array) -> bool:
    return len(np.unique(np.round(x, 6))) >= _FEWEST_TARGETS


def root_of(variance: Estimate) -> Estimate:
    """An SD from its variance's estimate; what is below zero counts as none."""
    return Estimate(
        value=float(np.sqrt(max(variance.value, 0.0))),
        lower=float(np.sqrt(max(variance.lower, 0.0))),
        upper=float(np.sqrt(max(variance.upper, 0.0))),
        se=variance.se,
        df=variance.df,
    )


def _test(curve: VarianceCurve, cells: RangeCells, df: Array, known: Array) -> ConstantScatterTest:
    from scipy.special import fdtrc  # slow to import

    def log_likelihood(variance: Array) -> float:
        return float(-0.5 * (df * np.log(variance) + cells.square / variance).sum())

    level = _flat(cells.square, df, known)
    ratio = 2 * (log_likelihood(curve.variance(cells.x) + known) - log_likelihood(level + known))
    slope = curve.constant_part()
    if slope.value <= 0:
        return ConstantScatterTest(0.0, 1.0, 1.0, curve.df)
    # Variance of the slope were readings independent: two regressors, 1 and 1 / x².
    regressors = np.stack([np.ones_like(cells.x), 1.0 / cells.x**2], axis=-1)
    weight = 0.5 * df / (curve.variance(cells.x) + known) ** 2
    information = np.einsum("m,mi,mj->ij", weight, regressors, regressors)
    design_effect = max(1.0, slope.se**2 / float(np.linalg.inv(information)[1, 1]))
    return ConstantScatterTest(
        likelihood_ratio=ratio,
        design_effect=design_effect,
        p_value=float(0.5 * fdtrc(1.0, curve.df, max(ratio, 0.0) / design_effect)),
        df=curve.df,
    )


def _flat(square: Array, df: Array, known: Array) -> float:
    """The variance alike everywhere that explains the squares best beside what is known."""
    from scipy.optimize import brentq

    def score(variance: float) -> float:
        total = variance + known
        return float(((square / total - df) / total).sum())

    top = float((square / df).max()) + 1e-8
    return 1e-8 if score(1e-8) <= 0 else float(brentq(score, 1e-8, top))


def spread_by_band(cells: RangeCells, band: NDArray[np.str_]) -> SpreadTest | None:
    """Do readings about the mean of their check and target spread alike in all bands?

    band  (M,) of each cell
    Returns None unless two bands have repeated readings.

    Brown-Forsythe takes the residuals as independent, which those of one wrench are not quite: the
    p-value is a description, and no decision rests on it.
    """
    repeated = cells.where(cells.count >= 2)
    of_cell = band[cells.count >= 2]
    # Residuals about a mean of n readings are too small by sqrt((n - 1) / n).
    full = np.sqrt(repeated.count / (repeated.count - 1))[:, None] * repeated.residual_pct
    groups = [
        residuals[~np.isnan(residuals)]
        for residuals in (full[of_cell == name].ravel() for name in np.unique(of_cell))
    ]
    return None if len(groups) < 2 else brown_forsythe(groups)
