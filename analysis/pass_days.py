"""The pass probabilities of a family's wrenches on several days each.

Few wrenches on many days take as long as many wrenches on one: they are worked out together.
"""

from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.family import FamilyFit
from analysis.outlook import outlook
from analysis.pass_probability import CheckPlan, pass_probability_by_law

_AT_ONCE: Final = 512  # wrenches times days; a large family takes one day after the other


def pass_probability_on(family: FamilyFit, days: Array, plan: CheckPlan, mpd_pct: Array) -> Array:
    """(T, K, N) pass probabilities under each law.

    days     (T, N) of each wrench
    mpd_pct  (N, J) for the plan's targets

    Raises as `analysis.pass_probability.pass_probability_by_law` does.
    """
    wrenches = days.shape[1]
    answer = np.empty((len(days), family.law.size, wrenches))
    at_once = max(1, _AT_ONCE // max(1, wrenches))
    for start in range(0, len(days), at_once):
        part = days[start : start + at_once]
        by_law = pass_probability_by_law(
            outlook(family, part), plan, np.tile(mpd_pct, (len(part), 1))
        )
        answer[start : start + at_once] = by_law.reshape(len(by_law), *part.shape).swapaxes(0, 1)
    return answer
