"""A published prediction interval for one more observation."""

import numpy as np
import pytest

from analysis.angle import AngleHistory, angle_law, forecast_angle


def test_alloy_adhesion():
    """D. C. Montgomery and G. C. Runger, Applied Statistics and Probability for Engineers (3rd ed.
    2002), example 8-8: n = 22, mean 13.71, s = 3.55; 95 % for the next one: 6.16 to 21.26.

    The data themselves, from memory, are those of its example 8-4; the first assertions hold them
    to the published mean and s.
    """
    load = np.array([
        19.8, 10.1, 14.9, 7.5, 15.4, 15.4, 15.4, 18.5, 7.9, 12.7, 11.9,
        11.4, 11.4, 14.1, 17.6, 16.7, 15.8, 19.5, 8.8, 13.6, 11.9, 11.4,
    ])  # fmt: skip
    assert load.mean() == pytest.approx(13.71, abs=0.005)
    assert load.std(ddof=1) == pytest.approx(3.55, abs=0.005)
    law = angle_law(
        AngleHistory(
            day=np.zeros(22),
            segment=np.zeros(22, dtype=np.intp),
            check=np.arange(22),
            target_deg=np.full(22, 90.0),
            deviation_deg=load,
        )
    )
    # Chances beyond a limit of the interval are 2.5 %, to what its two decimals allow.
    assert forecast_angle(law, 90, 21.26, 0.0).too_small == pytest.approx(0.025, abs=2e-4)
    below = forecast_angle(law, 90, 6.16, 0.0).too_small
    assert 1 - below == pytest.approx(0.025, abs=2e-4)
