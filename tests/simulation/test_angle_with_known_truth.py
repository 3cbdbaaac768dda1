"""Angle checks of known truth: does the interval for the next angle hold it as often as it says?"""

import numpy as np
import pytest
from scipy.stats import t

from analysis.angle import AngleBasis, AngleHistory, AssumedSpreads, angle_law, forecast_angle

pytestmark = pytest.mark.simulation

WRENCHES = 2000
TARGETS = np.array([45.0, 90.0, 180.0])
STEADY = AssumedSpreads(1.0, 1.0, 0.4, 0.5, wander_deg=0.0)


@pytest.mark.parametrize("checks", [3, 4, 6, 10])
@pytest.mark.parametrize(("check_sd", "scatter_sd"), [(0.8, 0.3), (0.3, 0.3), (0.1, 0.5)])
def test_the_interval_of_95_percent_holds_the_next_angle(checks, check_sd, scatter_sd):
    """At least 93.5 % for every length of history: no promise that is not kept.

    The Monte Carlo error is 0.5 %. Where checks differ little, intervals from few are too wide.
    """
    rng = np.random.default_rng(checks)
    target = np.tile(np.repeat(TARGETS, 3), checks)
    check = np.repeat(np.arange(checks), 9)
    held = 0
    for _ in range(WRENCHES):
        offset, gain = rng.normal(0, 1, 2)
        level = offset + gain * target / 100
        deviation = level + rng.normal(0, check_sd, checks)[check]
        law = angle_law(
            AngleHistory(
                day=np.zeros(checks),
                segment=np.zeros(checks, dtype=np.intp),
                check=check,
                target_deg=target,
                deviation_deg=deviation + rng.normal(0, scatter_sd, target.size),
            ),
            STEADY,
        )
        assert law.basis is AngleBasis.OWN_CHECKS
        found = forecast_angle(law, 120.0, 2.0, 0.0, STEADY)
        truth = offset + 1.2 * gain + rng.normal(0, np.hypot(check_sd, scatter_sd))
        held += abs(truth - found.mean_deg) <= t.ppf(0.975, found.df) * found.scale_deg
    assert held / WRENCHES > 0.935


def test_stated_chances_come_true_when_the_assumed_spreads_are_the_truth():
    """One check each, offsets and gains drawn from the assumption: mean risk against what came."""
    rng = np.random.default_rng(1)
    foretold, came = 0.0, 0
    for _ in range(WRENCHES):
        offset, gain = rng.normal(0, STEADY.offset_deg), rng.normal(0, STEADY.gain_deg)

        def reading(at, effect, offset=offset, gain=gain):
            return offset + gain * at / 100 + effect + rng.normal(0, STEADY.scatter_deg)

        effect = rng.normal(0, STEADY.check_deg)
        law = angle_law(
            AngleHistory(
                day=np.zeros(1),
                segment=np.zeros(1, dtype=np.intp),
                check=np.zeros(5, dtype=np.intp),
                target_deg=np.full(5, 90.0),
                deviation_deg=np.array([reading(90.0, effect) for _ in range(5)]),
            ),
            STEADY,
        )
        foretold += forecast_angle(law, 120.0, 1.5, 0.0, STEADY).risk
        came += abs(reading(120.0, rng.normal(0, STEADY.check_deg))) > 1.5
    assert came / WRENCHES == pytest.approx(foretold / WRENCHES, abs=0.025)
