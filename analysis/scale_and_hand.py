"""What else could make the bottom of a range look worse: coarse steps, a coarse scale, the hand.

Steps. A tester or display that shows steps of size r adds r² / 12 to the variance of each reading,
a constant in torque, as alpha is. Where the steps are known this is taken out of alpha
(`analysis.range_cells`); the formula holds for steps up to about twice the scatter (W. F. Sheppard,
Proc. London Math. Soc. 29 (1898) 353-380, from memory).

Scale. A wrench that is set to a mark is set somewhere within half a division of it. Set once for
all readings at a target, that error is theirs in common and not in alpha; set anew for each pull,
it adds up to r² / 12 of the division r (a rectangular distribution, GUM F.2.2.1). Which of the two
it was shows where wrenches have divisions of different fineness: with

    V = a + (b + kappa r² / 12) / x²

kappa is 0 when the scale adds nothing and 1 when each pull is set anew. Where all divisions are as
fine, or kappa stays open, the whole of r² / 12 is held against the wrench's own alpha.

Hand. Every pull is somebody's. With one pair of hands in all the checks its unsteadiness counts as
the wrench's; with several, the steadiest bounds it: what is left of alpha there is not the others'.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.clustered import Estimate, jackknife_covariance, plain_estimate
from analysis.errors import NotEnoughEvidence
from analysis.history import Histories
from analysis.range_cells import RangeCells
from analysis.range_scatter import RangeScatter, range_scatter

_FEWEST_WRENCHES: Final = 5


@dataclass(frozen=True, slots=True)
class ScaleShare:
    """How much of alpha the wrenches' own divisions may explain.

    most_pct    root mean square over wrenches of the division / sqrt(12), % of full scale
    kappa       share of it that the readings show; None: all divisions are as fine
    left_pct    what of alpha is the wrench's or the hand's in any case: its lower bound by kappa's
                upper end, and the value with kappa as estimated
    told_apart  whether something is left in any case
    wrenches    whose division is stated
    """

    most_pct: float
    kappa: Estimate | None
    left_pct: Estimate
    told_apart: bool
    wrenches: int


@dataclass(frozen=True, slots=True)
class Hand:
    """The scatter of the checks that one person made.

    operator  as recorded
    """

    operator: str
    scatter: RangeScatter


@dataclass(frozen=True, slots=True)
class Hands:
    """People at the tester.

    each        with checks of at least five wrenches, the steadiest (lowest alpha) first
    unnamed     checks without a name
    told_apart  whether two or more can be compared
    """

    each: tuple[Hand, ...]
    unnamed: int
    told_apart: bool


def step_variance(
    histories: Histories,
    circumstances: pl.DataFrame,
    full_scale_nm: Mapping[str, float],
    displayed_nm: Mapping[str, float],
) -> Array:
    """(N, C) variance by rounding in known steps, (% of full scale)².

    circumstances  schema `analysis.evidence.CIRCUMSTANCES`
    displayed_nm   steps of the wrenches whose own display was read at each pull
    """
    steps = dict(circumstances.select("check", "step_nm").drop_nulls().iter_rows())
    found = np.zeros(histories.present.shape)
    for n, (wrench, checks) in enumerate(zip(histories.wrenches, histories.checks, strict=True)):
        own = displayed_nm.get(wrench, 0.0)
        for c, check in enumerate(checks):
            square = steps.get(check, 0.0) ** 2 + own**2
            found[n, c] = square / 12 * (100 / full_scale_nm[wrench]) ** 2
    return found


def scale_share(
    scatter: RangeScatter, cells: RangeCells, divisions: Mapping[str, float]
) -> ScaleShare | None:
    """How much of alpha the divisions of wrenches set to a mark could explain.

    divisions  division / full scale of the wrenches where it is stated
    Returns None where none is.
    """
    squares = np.array([divisions.get(name, np.nan) for name in cells.wrenches]) ** 2 / 12 * 1e4
    stated = ~np.isnan(squares)
    if not stated.any():
        return None
    most = float(squares[stated].mean())
    kappa = _kappa(scatter, cells.where(stated[cells.wrench]), squares[stated])
    seen = 1.0 if kappa is None else float(np.clip(kappa.value, 0.0, 1.0))
    at_most = 1.0 if kappa is None else float(np.clip(kappa.upper, 0.0, 1.0))
    alpha = scatter.alpha_pct

    def left(sd: float, share: float) -> float:
        return float(np.sqrt(max(sd**2 - share * most, 0.0)))

    rest = Estimate(
        left(alpha.value, seen), left(alpha.lower, at_most), alpha.upper, alpha.se, alpha.df
    )
    return ScaleShare(float(np.sqrt(most)), kappa, rest, rest.lower > 0, int(stated.sum()))


def _kappa(scatter: RangeScatter, cells: RangeCells, squares: Array) -> Estimate | None:
    """Weighted least squares of squares within cells on 1, 1 / x² and the division's r² / 12 x²."""
    repeated = cells.where(cells.count >= 2)
    # `where` drops wrenches without repeats; squares follow by name.
    by_name = dict(zip(cells.wrenches, squares, strict=True))
    division = np.array([by_name[name] for name in repeated.wrenches])
    if len(division) < _FEWEST_WRENCHES or np.ptp(division) < 0.1 * division.mean():
        return None
    df = repeated.count - 1
    inverse_square = 1.0 / repeated.x**2
    known = repeated.step_variance * inverse_square
    z = np.stack(
        [np.ones_like(df), inverse_square, division[repeated.wrench] * inverse_square], axis=-1
    )
    weight = df / (scatter.curve.variance(repeated.x) + known) ** 2
    information = np.einsum("m,mi,mj->mij", weight, z, z)
    response = repeated.square / df - known
    found = np.linalg.solve(information.sum(axis=0), (weight * response) @ z)
    score = (weight * (response - z @ found))[:, None] * z
    covariance = jackknife_covariance(repeated.by_wrench(score), repeated.by_wrench(information))
    return plain_estimate(
        float(found[2]), float(np.sqrt(covariance[2, 2])), len(repeated.wrenches) - 1.0
    )


def hands(cells: RangeCells, operators: NDArray[np.str_]) -> Hands:
    """Scatter by who made the check.

    operators  (M,) of each cell, empty where nobody is named
    """
    found = []
    for name in np.unique(operators[operators != ""]):
        own = cells.where(operators == name)
        if len(own.wrenches) < _FEWEST_WRENCHES:
            continue
        try:
            found.append(Hand(str(name), range_scatter(own)))
        except NotEnoughEvidence:
            continue  # nothing repeated, or one target: it cannot be compared
    unnamed = cells.where(operators == "")
    each = tuple(sorted(found, key=lambda hand: hand.scatter.alpha_pct.value))
    return Hands(each=each, unnamed=unnamed.checks, told_apart=len(each) > 1)
