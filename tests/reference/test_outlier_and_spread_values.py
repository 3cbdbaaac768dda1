"""Published tests for an outlying reading and for equal spread."""

import math

import numpy as np
import pytest
from published_data import published
from scipy.special import stdtrit

from analysis.equal_spread import bartlett, brown_forsythe
from analysis.remeasure import outlying_reading
from analysis.variance_levels import within_estimate

HANDBOOK = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def grubbs_of(t, n):
    """G of Grubbs from the t statistic of the farthest reading against the others."""
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


def test_grubbs_example():
    """e-Handbook 1.3.5.17.1: G 2.46876, one-sided critical value at 0.05 2.03165."""
    index, t, p = outlying_reading(HANDBOOK)
    assert HANDBOOK[index] == 245.57
    assert grubbs_of(t, 8) == pytest.approx(2.46876, abs=5e-6)
    assert grubbs_of(stdtrit(6, 1 - 0.05 / 8), 8) == pytest.approx(2.03165, abs=5e-6)
    assert p < 0.05


def test_grubbs_p_value_is_five_percent_at_the_critical_value():
    """Two-sided critical value at 0.05, n 8: 2.1266 (tables of Grubbs' test, from memory)."""
    rest = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0])

    def statistic(reading):
        _, t, p = outlying_reading(np.append(rest, reading))
        return grubbs_of(t, 8), p

    readings = np.linspace(6.0, 14.0, 4001)
    g, p = np.array([statistic(reading) for reading in readings]).T
    assert g[np.argmin(np.abs(p - 0.05))] == pytest.approx(2.1266, abs=1e-3)


def gear_batches():
    data = published("nist_gear")
    return [data["diameter"][data["batch"] == batch] for batch in np.unique(data["batch"])]


def test_brown_forsythe_of_the_gears():
    """e-Handbook 1.3.5.10: W 1.705910, p 0.0991 (printed in single precision), not rejected."""
    found = brown_forsythe(gear_batches())
    assert found.statistic == pytest.approx(1.705910, abs=1e-4)
    assert found.p_value == pytest.approx(0.0991, abs=1e-4)
    assert found.df == (9, 90)


def test_bartlett_of_the_gears():
    """e-Handbook 1.3.5.7: 20.78580 (single precision), above 16.919: rejected."""
    found = bartlett(gear_batches())
    assert found.statistic == pytest.approx(20.78580, abs=2e-4)
    assert found.p_value < 0.05
    assert found.df == (9,)


def test_interval_of_the_gears_standard_deviation():
    """e-Handbook 1.3.5.8, data: s 0.00627890, 95 % interval 0.0055129 to 0.0072941."""
    diameter = published("nist_gear")["diameter"]
    squares = float(((diameter - diameter.mean()) ** 2).sum())
    found = within_estimate(squares, diameter.size - 1)
    assert found.sd == pytest.approx(0.00627890, abs=1e-8)
    assert (found.low, found.high) == pytest.approx((0.0055129, 0.0072941), abs=1e-7)
