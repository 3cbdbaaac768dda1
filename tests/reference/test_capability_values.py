"""Published capability indices, their intervals, and tolerance factors."""

import math

import numpy as np
import pytest

from analysis.capability import indices
from analysis.tolerance import howe_factor, standardised_distance_limit, two_sided_factor


def standardised(mean, sd, lower, upper):
    """Mean and SD on the scale where the limits are -1 and 1."""
    half = (upper - lower) / 2
    return (mean - (lower + upper) / 2) / half, sd / half


def test_indices_of_the_handbook():
    """e-Handbook 6.1.6: limits 8 and 20, mean 16, SD 2: Cp 1.0, Cpk 0.6667."""
    mean, sd = standardised(16, 2, 8, 20)
    found = indices(mean, sd, df=49, effective_readings=50)
    assert found.index == pytest.approx(1.0, abs=1e-12)
    assert found.nearer == pytest.approx(0.6667, abs=5e-5)


def test_interval_of_cp():
    """Montgomery, Introduction to Statistical Quality Control, capability chapter.

    Limits 38 and 62, n 20, s 1.75: Cp 2.29, 95 % interval 1.57 to 3.01.
    """
    mean, sd = standardised(50, 1.75, 38, 62)
    found = indices(mean, sd, df=19, effective_readings=20)
    assert found.index == pytest.approx(2.29, abs=5e-3)
    assert (found.index_low, found.index_high) == pytest.approx((1.57, 3.01), abs=6e-3)


@pytest.mark.parametrize(
    ("cpk", "ppm"),
    [(1 / 3, 317310.5), (2 / 3, 45500.26), (1.0, 2699.796), (4 / 3, 63.3425), (5 / 3, 0.573303),
     (2.0, 0.00197318)],
)  # fmt: skip
def test_fraction_outside_of_a_centred_process(cpk, ppm):
    """Two-sided normal tail, 2 Φ(-3 Cpk), as in every table of capability (from memory)."""
    found = indices(0.0, 1 / (3 * cpk), df=99, effective_readings=100)
    assert found.fraction_outside * 1e6 == pytest.approx(ppm, rel=5e-6)


@pytest.mark.parametrize(
    ("n", "limits"),
    [
        (5, (0.3637, 0.5163, 0.6683, 0.8131)),
        (10, (0.5674, 0.7773, 0.9900, 1.1946)),
        (15, (0.6522, 0.8859, 1.1237, 1.3530)),
        (20, (0.7014, 0.9487, 1.2010, 1.4446)),
        (30, (0.7584, 1.0216, 1.2907, 1.5508)),
        (50, (0.8144, 1.0931, 1.3787, 1.6550)),
        (100, (0.8697, 1.1637, 1.4655, 1.7579)),
    ],
)
def test_exact_lower_limit_of_cpk(n, limits):
    """One-sided 95 % limits for Ĉpk 1, 1.33, 1.67, 2 by the noncentral t, computed independently.

    The method is that of Y.-M. Chou, D. B. Owen, S. A. Borrego, J. Quality Technology 22 (1990)
    223-229; the printed tables were not at hand.
    """
    found = [standardised_distance_limit(3 * c, n, n - 1, 0.95) / 3 for c in (1, 1.33, 1.67, 2)]
    assert found == pytest.approx(limits, abs=6e-5)


@pytest.mark.parametrize("estimate", [1.0, 1.33, 2.0])
@pytest.mark.parametrize("n", [10, 30, 100])
def test_lower_limit_of_cpk_is_near_bissells_and_below_it(n, estimate):
    """A. F. Bissell, Applied Statistics 39 (1990) 331-340: Ĉ - z √(1/(9n) + Ĉ²/(2(n-1))).

    The approximation is optimistic for few readings.
    """
    exact = standardised_distance_limit(3 * estimate, n, n - 1, 0.95) / 3
    bissell = estimate - 1.644854 * math.sqrt(1 / (9 * n) + estimate**2 / (2 * (n - 1)))
    assert exact < bissell
    assert exact == pytest.approx(bissell, rel=0.02)


TOLERANCE_FACTORS = [
    # n, content, confidence, one-sided, Howe, exact two-sided
    (43, 0.90, 0.99, 1.87395, 2.21732, 2.22283),
    (5, 0.95, 0.95, 4.20268, 5.09353, 5.07687),
    (10, 0.95, 0.95, 2.91096, 3.38191, 3.39343),
    (20, 0.95, 0.95, 2.39600, 2.75228, 2.76035),
    (30, 0.95, 0.95, 2.21984, 2.54964, 2.55489),
    (50, 0.95, 0.95, 2.06499, 2.37877, 2.38156),
    (100, 0.95, 0.95, 1.92654, 2.23280, 2.23388),
    (10, 0.99, 0.95, 3.98112, 4.44459, 4.43691),
    (30, 0.99, 0.95, 3.06390, 3.35079, 3.35458),
    (5, 0.90, 0.95, 3.40663, 4.27462, 4.29060),
]


@pytest.mark.parametrize(("n", "content", "confidence", "one_sided", "howe", "exact"),
                         TOLERANCE_FACTORS)  # fmt: skip
def test_tolerance_factors(n, content, confidence, one_sided, howe, exact):
    """Exact two-sided: tables in the style of ISO 16269-6 (5.077, 3.393, 2.555, 2.382 for content
    and confidence 0.95); Howe and one-sided for n 43: e-Handbook 7.2.6.3 (2.217 and 1.8740); the
    others computed independently.

    The one-sided factor is the noncentral t relation of the capability limit read backwards: an
    estimate k SD from a limit is, with this confidence, at least the content's quantile from it.
    """
    assert two_sided_factor(n, n - 1, content=content, confidence=confidence) == pytest.approx(
        exact, abs=6e-6
    )
    assert howe_factor(n, n - 1, content=content, confidence=confidence) == pytest.approx(
        howe, abs=6e-6
    )
    quantile = {0.90: 1.2815516, 0.95: 1.6448536, 0.99: 2.3263479}[content]
    assert standardised_distance_limit(one_sided, n, n - 1, confidence) == pytest.approx(
        quantile, abs=2e-5
    )


def test_tolerance_factor_tends_to_the_normal_quantile():
    """With everything known, 95 % of a normal population lie within 1.959964 SD."""
    k = two_sided_factor(1e9, 1e9, content=0.95, confidence=0.5)
    assert k == pytest.approx(1.959964, abs=1e-4)
    assert np.isfinite(two_sided_factor(1.0, 2.0, content=0.95, confidence=0.95))
