"""One law in place of a family's many, where these agree so well that no forecast shows it.

The doubt about a law widens forecasts by its square: a standard deviation known to 5 % is as good
as one known exactly. A family of a hundred wrenches and more knows its law so well, and one law
then does what 48 do at a fiftieth of the cost: means are the laws' means, standard deviations their
root mean squares, so that first and second moments of what is foretold agree.

Whether it does is measured on the family's own wrenches: for a reading a year after the last check
of each, the 95 % interval of the many must hold between 94.5 and 95.5 % under the one.
"""

from dataclasses import fields, replace
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.family import FamilyLaws, place_members
from analysis.history import Histories
from analysis.mixture import mixture_cdf, mixture_quantile
from analysis.outlook import last_days, outlook

_PROMISED: Final = 0.95
_TOLERATED: Final = 0.005
_JUDGES: Final = 100  # wrenches on which it is measured; with fewer the many laws stay
_SQUARED: Final = frozenset({"rho_pct", "alpha_pct"})


def one_law(family: FamilyLaws, teachers: Histories) -> ErrorLaw | None:
    """The one law that serves in place of the family's; None where it would show.

    teachers  histories that the laws were learnt from
    """
    if teachers.size < _JUDGES:
        return None
    one = mean_law(family.law)
    gap = np.abs(promise_kept(family, one, teachers) - _PROMISED).max()
    return one if gap <= _TOLERATED else None


def mean_law(law: ErrorLaw) -> ErrorLaw:
    """Means of means, of rates and of shares; root mean squares of standard deviations."""

    def mean(name: str) -> Array:
        values: Array = getattr(law, name)
        if name.endswith("_sd") or name in _SQUARED:
            return np.asarray(np.sqrt((values**2).mean(axis=0, keepdims=True)))
        return np.asarray(values.mean(axis=0, keepdims=True))

    return ErrorLaw(**{field.name: mean(field.name) for field in fields(law)})


def promise_kept(family: FamilyLaws, one: ErrorLaw, teachers: Histories) -> Array:
    """What the 95 % intervals of the family's laws hold under the one: (J, n).

    At the lowest, the median and the highest place of the range that the teachers were checked at,
    for up to _JUDGES of them.
    """
    judges = teachers.take(np.linspace(0, teachers.size - 1, _JUDGES).astype(np.intp))
    many = place_members(family, judges)
    single = place_members(replace(family, law=one), judges)
    day = last_days(many) + DAYS_PER_YEAR
    views = outlook(many, day), outlook(single, day)
    held = []
    for x in np.quantile(judges.x[judges.count > 0], (0.0, 0.5, 1.0)):
        promised, other = (view.reading_at(x) for view in views)
        low, high = (mixture_quantile(promised, p) for p in (0.025, 0.975))
        held.append(mixture_cdf(other, high) - mixture_cdf(other, low))
    return np.stack(held)
