"""Published reliability models, interval adjustments and binomial limits."""

import pytest

from analysis.pass_fail import binomial_limits, interval_test
from analysis.reliability_model import exponential, random_walk, scaled_interval, weibull


def test_models_at_twelve():
    """Formulas of NCSL RP-1 and NASA-HDBK-8739.19-5 (from memory), computed independently."""
    assert exponential(12.0, 0.01) == pytest.approx(0.886920, abs=5e-7)
    assert weibull(12.0, 0.01, 1.5) == pytest.approx(0.959283, abs=5e-7)
    assert random_walk(12.0, 0.2, 0.05) == pytest.approx(0.886154, abs=5e-7)


@pytest.mark.parametrize(
    ("interval", "observed", "target", "adjusted"),
    [
        (12.0, 0.90, 0.95, 5.84203),
        (12.0, 0.97, 0.95, 20.208),
        (12.0, 0.80, 0.90, 5.66598),
        (365.0, 0.85, 0.95, 115.199),
    ],
)
def test_exponential_scaling(interval, observed, target, adjusted):
    """R = exp(-λ t), NCSL RP-1 and NASA-HDBK-8739.19-5: 12 months at 0.90 are 5.842 at 0.95."""
    assert scaled_interval(interval, observed, target) == pytest.approx(
        adjusted, rel=5e-6, abs=5e-4
    )


def test_binomial_interval_of_the_interval_test():
    """NCSL RP-1 method A3 with Clopper-Pearson limits, computed independently.

    18 of 20: 95 % interval 0.683017 to 0.987651; 20 of 20: lower 95 % limit 0.860892.
    """
    found = interval_test(18, 20, 0.95)
    assert (found.low, found.high) == pytest.approx((0.683017, 0.987651), abs=5e-7)
    assert found.change == "keep"
    assert binomial_limits(20, 20, 0.05) == (pytest.approx(0.860892, abs=5e-7), 1.0)
