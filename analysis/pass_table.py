"""Pass probabilities of very many wrenches that are checked alike and held to the same limits.

What `analysis.pass_probability` integrates is, for each target j, the chance that all its readings
lie within the limit,

    f_j(d) = [ Phi((M_j - d) / s_j) - Phi((-M_j - d) / s_j) ]^n

with tails where the scatter has them. For wrenches of one family with one plan and one limit it is
the same function of the deviation d alone, even in d: worked out once on a fine grid and read off
by straight lines, at a tenth of the cost.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final, Self

import numpy as np

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.outlook import Outlook
from analysis.pass_probability import SHARING, CheckPlan, grid_of, principal, quadrature
from analysis.tails import Tails

_CELLS: Final = 8192  # of the table; what straight lines miss is below 1e-5
_REACH_SDS: Final = 8.0  # beyond the limit no reading lies within it any more
_ALONG: Final = 31
_ACROSS: Final = 4
_ACROSS_RARE: Final = 2
_WRENCHES_AT_ONCE: Final = 256  # with some ninety nodes each: stays in the processor's cache


@cache
def _grid(laws: int, rare: bool) -> tuple[Array, Array]:
    """Nodes (K, Q, 2) and weights (K, Q); laws that share the work share it as elsewhere."""
    if laws >= SHARING:
        return grid_of(laws, rare)
    return quadrature(_ALONG, _ACROSS_RARE if rare else _ACROSS, np.zeros(laws))


@dataclass(frozen=True, slots=True)
class PassTable:
    """f_j of K laws at J targets on a grid of |d| from zero up.

    plan    whose check it is
    values  (K, J, G)
    rises   (K, J, G - 1) from one to the next
    step    of the grid, % of reading
    scatter (K, J) SD of a reading, % of reading
    """

    plan: CheckPlan
    values: Array
    rises: Array
    step: float
    scatter: Array

    @classmethod
    def of(cls, law: ErrorLaw, tails: Tails, plan: CheckPlan, mpd_pct: Array) -> Self:
        """The table of one limit for each target: mpd_pct (J,).

        Raises ValueError for a limit that is not a number or is below zero.
        """
        from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

        if not (mpd_pct >= 0.0).all():
            raise ValueError("every target needs a limit of zero or more")
        scatter = np.sqrt(law.scatter_variance(np.asarray(plan.x)))
        widest = max(scale for _, scale in tails.parts())
        reach = float(mpd_pct.max() + _REACH_SDS * widest * scatter.max())
        d = np.linspace(0.0, reach, _CELLS)
        sd, limit = scatter[..., None], mpd_pct[:, None]
        inside = sum(
            weight * (ndtr((limit - d) / (scale * sd)) - ndtr((-limit - d) / (scale * sd)))
            for weight, scale in tails.parts()
        )
        values = np.asarray(inside**plan.repeats)
        return cls(plan, values, np.diff(values), float(d[1]), scatter)

    def chance(self, view: Outlook) -> Array:
        """(N,) pass probabilities, averaged over the laws that the table was made for."""
        wrenches = view.mean.shape[1]
        answer = np.empty(wrenches)
        for start in range(0, wrenches, _WRENCHES_AT_ONCE):
            part = slice(start, start + _WRENCHES_AT_ONCE)
            quiet = self._expected(view.mean[:, part], view.cov[:, part], rare=False)
            by_law = quiet
            for chance, extra in view.events():
                wider = view.cov[:, part] + extra[:, None, :, None] * np.eye(2)
                happened = self._expected(view.mean[:, part], wider, rare=True)
                by_law = by_law + chance[:, part] * (happened - quiet)
            answer[part] = by_law.mean(axis=0)
        return answer

    def _expected(self, mean: Array, cov: Array, *, rare: bool) -> Array:
        """(K, n) expectation of the product of all f_j over gain and offset."""
        nodes, weights = _grid(mean.shape[0], rare)
        x = np.asarray(self.plan.x)
        z = np.stack([np.ones_like(x), 1.0 / x])  # (2, J)
        any_root = np.asarray(np.linalg.cholesky(cov), dtype=np.float64)
        root = principal(any_root, z / self.scatter[:, None, None, :])
        # In cells of the table: (K, n, J) and (K, n, 2, J).
        centre = (mean @ z) / self.step
        along = (root.swapaxes(-1, -2) @ z) / self.step
        answer = np.empty(mean.shape[:2])
        for k, (values, rises) in enumerate(zip(self.values, self.rises, strict=True)):
            passing = np.ones((mean.shape[1], nodes.shape[1]))
            for j in range(len(x)):
                place = along[k, :, :, j] @ nodes[k].T
                place += centre[k, :, j, None]
                passing *= _read(values[j], rises[j], place)
            answer[k] = passing @ weights[k]
        return answer


def _read(table: Array, rises: Array, place: Array) -> Array:
    """Values of a table at places either side of its zero, counted in cells; they are used up."""
    np.abs(place, out=place)
    np.minimum(place, _CELLS - 1.001, out=place)
    cell = place.astype(np.intp)
    place -= cell
    # Within the table already; to say so saves `take` a look at each.
    place *= rises.take(cell, mode="clip")
    place += table.take(cell, mode="clip")
    return place
