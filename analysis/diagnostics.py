"""Whether a family's readings look the way its law says, by tests that could say no.

Residuals of single readings from the mean of their check and target, in units of the scatter that
the law gives there, should be normal (or have the tails found), and equally wide at every place of
the range. The prediction errors of whole checks should be as large as the filter expected.
References: T. W. Anderson, D. A. Darling, J. Amer. Statist. Assoc. 49 (1954) 765-769; T. S.
Breusch, A. R. Pagan, Econometrica 47 (1979) 1287-1294, studentised by R. Koenker, J. Econometrics
17 (1981) 107-112; both as statsmodels computes them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit
from analysis.history_filter import filter_histories
from analysis.tails import Tails, standardised_residuals

_FEWEST_RESIDUALS: Final = 30
_FEWEST_PLACES: Final = 2  # places of the range without which width cannot be compared


@dataclass(frozen=True, slots=True)
class FamilyDiagnostics:
    """Tests of a family's law on its members' readings; a small p-value speaks against the law.

    residuals              how many single readings were tested
    normal_p_value         Anderson-Darling, of normal scatter
    tails                  what the forecasts use instead when it is not
    equal_width_p_value    Breusch-Pagan, of scatter that follows the law over the range; None: all
                           readings at one place of the range
    surprise_ratio         squared prediction errors of checks over what was expected; about 1
    """

    residuals: int
    normal_p_value: float
    tails: Tails
    equal_width_p_value: float | None
    surprise_ratio: float


def diagnose(family: FamilyFit) -> FamilyDiagnostics | NotEnoughEvidence:
    """Diagnostics of a family; NotEnoughEvidence (as a value) with fewer than 30 residuals."""
    z, x = standardised_residuals(family.mode, family.histories)
    if z.size < _FEWEST_RESIDUALS:
        return NotEnoughEvidence(
            because=f"the family has {z.size} repeated readings and a test of its law needs "
            f"{_FEWEST_RESIDUALS}",
            needed="a few more checks with repeats at each target would do",
        )
    from statsmodels.stats.diagnostic import het_breuschpagan, normal_ad  # slow to import

    inverse = 1.0 / x
    equal_width = None
    if len(np.unique(np.round(x, 3))) >= _FEWEST_PLACES:
        design = np.stack([np.ones_like(inverse), inverse], axis=1)
        equal_width = float(het_breuschpagan(z, design)[1])
    surprise, expected = surprises(family)
    return FamilyDiagnostics(
        residuals=int(z.size),
        normal_p_value=float(normal_ad(z)[1]),
        tails=family.tails,
        equal_width_p_value=equal_width,
        surprise_ratio=float(surprise.sum() / expected.sum()),
    )


def surprises(family: FamilyFit) -> tuple[Array, Array]:
    """(N,) sums over each member's checks of the squared standardised prediction error under the
    most probable law, about chi-squared, and (N,) their degrees of freedom.
    """
    found = filter_histories(family.mode, family.histories, events=False, surprises=True)
    present = family.histories.present
    return (
        np.where(present, found.surprise[0], 0.0).sum(axis=1),
        np.where(present, found.surprise_df, 0.0).sum(axis=1),
    )
