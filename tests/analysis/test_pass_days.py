"""Many days worked out together against one day after the other."""

import numpy as np
import pytest
from sample_histories import Story, Visit, a_law, family_of, histories_of, laws_together

from analysis import pass_days
from analysis.family import FamilyFit
from analysis.outlook import last_days, outlook
from analysis.pass_days import pass_probability_on
from analysis.pass_probability import CheckPlan, pass_probability_by_law
from analysis.time_basis import TimeBasis

PLAN = CheckPlan((0.2, 1.0), 3)


def a_family(basis: TimeBasis) -> FamilyFit:
    """Three wrenches of different paces under three laws, one of them adjusted lately."""
    stories = [
        Story(
            [
                Visit(
                    20_000.0 + 170.5 * number,
                    [(x, 0.4 * number * way) for x in PLAN.x for _ in range(3)],
                    cycles=pace * number,
                )
                for number in range(4)
            ],
            wrench=f"W-{way}",
        )
        for way, pace in ((1, 400.0), (2, 900.0), (3, 1500.0))
    ]
    law = laws_together(
        *(a_law(rate_sd=(r, 0.05), knocks_per_year=0.02, stray_share=0.02) for r in (0.4, 0.8, 1.2))
    )
    return family_of(law, histories_of(*stories), basis, 1000.0)


@pytest.mark.parametrize("basis", list(TimeBasis))
@pytest.mark.parametrize("at_once", [1, 7, 512])
def test_a_day_among_others_is_the_day_by_itself(
    basis: TimeBasis, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the last digit, before the last check too, and however few are worked out at once."""
    monkeypatch.setattr(pass_days, "_AT_ONCE", at_once)
    family = a_family(basis)
    days = last_days(family) + np.array([-40.0, 0.0, 1.5, 90.0, 400.0])[:, None]
    days[3] += [0.0, 17.0, -3.0]
    limits = np.array([[4.0, 4.0], [6.0, 3.0], [5.0, 2.0]])
    together = pass_probability_on(family, days, PLAN, limits)
    assert together.shape == (5, 3, 3)
    for day, found in zip(days, together, strict=True):
        alone = pass_probability_by_law(outlook(family, day), PLAN, limits)
        np.testing.assert_array_equal(found, alone)
    assert (np.diff(together[1:], axis=0) != 0.0).all()
