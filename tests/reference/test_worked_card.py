"""A calibration card worked by hand (common practice, no source)."""

import numpy as np
import pytest

from analysis.deviation import deviation_pct, of_setting_pct, within
from service.torque import Torque

SET = 20.0
MEASURED = np.array([19.79, 19.83, 19.83])


def test_a_card_that_says_20_set_against_three_readings():
    """20 / 19.79 - 1 = 1.06 %, 20 / 19.83 - 1 = 0.86 %: inside ±2 %, the wrench delivers low."""
    deviations = deviation_pct(np.full(3, SET), MEASURED)
    assert deviations == pytest.approx([1.06, 0.86, 0.86], abs=5e-3)
    assert within(deviations, np.full(3, 2.0)).all()


def test_the_same_card_in_percent_of_setting():
    """19.79 / 20 - 1 = -1.05 %, 19.83 / 20 - 1 = -0.85 %."""
    assert of_setting_pct(np.full(3, SET), MEASURED) == pytest.approx(
        [-1.05, -0.85, -0.85], abs=5e-3
    )


def test_the_unit_of_the_card_does_not_matter():
    """The deviation is a ratio: foot-pounds give what newton metres give."""
    in_foot_pounds = [
        deviation_pct(Torque.of(SET, "ft-lb").nm, Torque.of(float(value), "ft-lb").nm)
        for value in MEASURED
    ]
    assert in_foot_pounds == pytest.approx(deviation_pct(np.full(3, SET), MEASURED), rel=1e-12)
