"""Published straight lines and parabolas, and drift of real instruments."""

from datetime import date

import numpy as np
import pytest
from published_data import published

from analysis.straight_line import fit_line, fit_polynomial


def test_thermometer_line_of_the_gum():
    """JCGM 100:2008 H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035."""
    data = published("gum_h3_thermometer")
    fit = fit_line(data["t_C"] - 20.0, data["b_C"])
    assert fit.estimates == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.uncertainties == pytest.approx([0.0029, 0.00067], abs=5e-5)
    correlation = fit.covariance[0, 1] / fit.uncertainties.prod()
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)


def test_extrapolated_correction_of_the_gum():
    """JCGM 100:2008 H.3.4: at 30 °C the correction is -0.1494 with u 0.0041."""
    data = published("gum_h3_thermometer")
    value, u = fit_line(data["t_C"] - 20.0, data["b_C"]).at(10.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_a_bias_common_to_all_values_leaves_the_slope_alone():
    """JCGM 100:2008 H.3: an error shared by all readings moves y1 alone, not y2 or its u."""
    data = published("gum_h3_thermometer")
    plain = fit_line(data["t_C"] - 20.0, data["b_C"])
    biased = fit_line(data["t_C"] - 20.0, data["b_C"] + 0.005)
    assert biased.estimates - plain.estimates == pytest.approx([0.005, 0.0], abs=1e-12)
    assert biased.uncertainties == pytest.approx(plain.uncertainties, rel=1e-9)


def test_weighted_line_with_known_uncertainties():
    """ISO/TS 28037:2010, example of clause 6: 1.867 (0.465), 1.757 (0.120), cov -0.050, 1.665."""
    fit = fit_line(range(1, 7), [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6)
    assert fit.estimates == pytest.approx([1.867, 1.757], abs=5e-4)
    assert fit.uncertainties == pytest.approx([0.465, 0.120], abs=5e-4)
    assert fit.covariance[0, 1] == pytest.approx(-0.050, abs=5e-4)
    assert fit.chi_squared == pytest.approx(1.665, abs=5e-4)
    assert fit.df == 4


def test_inverse_evaluation_of_the_weighted_line():
    """ISO/TS 28037:2010, inverse at 10.5 ± 0.5: 4.913 (0.322) (clause from memory)."""
    fit = fit_line(range(1, 7), [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6)
    assert fit.x_where(10.5, 0.5) == pytest.approx((4.913, 0.322), abs=5e-4)


def test_change_since_adjustment_through_the_origin():
    """NASA-HDBK-8739.19-5 table 7-3: b1 0.00015741, b2 0.00001674, var b1 0.00000101."""
    data = published("nasa_hdbk_8739_19_5_table7_2")
    fit = fit_polynomial(data["days_since_adjustment"], data["change"], (1, 2))
    assert fit.estimates == pytest.approx([0.00015741, 0.00001674], abs=5e-9)
    assert fit.covariance[0, 0] == pytest.approx(0.00000101, abs=5e-9)


def test_load_cell_parabola():
    """e-Handbook 2.3.6.5: -1.83980e-5 (2.4507e-5), 0.100102485 (4.8387e-6), 7.03187e-6."""
    data = published("nist_load_cell")
    fit = fit_polynomial(data["load"], data["response"], (0, 1, 2))
    assert fit.estimates == pytest.approx([-1.83980e-5, 0.100102485, 7.03187e-6], rel=1e-5)
    assert fit.uncertainties == pytest.approx([2.4507e-5, 4.8387e-6, 2.0136e-7], rel=1e-4)
    assert fit.residual_sd == pytest.approx(3.76403e-5, rel=1e-5)
    assert fit.df == 30


def test_linewidth_calibration_line():
    """e-Handbook 2.3.6.7.3: 0.2357623 (0.0243003), 0.9870377 (0.00344058), s 0.0620320, 38 df."""
    data = published("nist_linewidth_calibration")
    fit = fit_line(data["reference"], data["measured"])
    assert fit.estimates == pytest.approx([0.2357623, 0.9870377], abs=5e-8)
    assert fit.uncertainties == pytest.approx([0.0243003, 0.00344058], rel=1e-5)
    assert fit.residual_sd == pytest.approx(0.0620320, abs=5e-8)
    assert fit.df == 38


def test_drift_of_a_standard_resistor():
    """e-Handbook 1.4.2.7, on run number: 27.9114 (0.00120877), 2.09670e-4 (2.09208e-6)."""
    resistance = published("nist_standard_resistor_drift")["resistance"]
    fit = fit_line(np.arange(1, 1001), resistance)
    assert fit.estimates == pytest.approx([27.9114, 2.09670e-4], rel=5e-6)
    assert fit.uncertainties == pytest.approx([0.00120877, 2.09208e-6], rel=5e-6)
    assert fit.residual_sd == pytest.approx(0.0190980, rel=5e-6)


def test_drift_of_a_standard_resistor_slows_with_age():
    """e-Handbook 1.4.2.7, data: the rate over the first year exceeds that over the whole span."""
    data = published("nist_standard_resistor_drift")
    years = np.array(
        [
            (date(1900 + int(y), int(m), int(d)) - date(1980, 1, 1)).days / 365.25
            for m, d, y in zip(data["month"], data["day"], data["year2"], strict=True)
        ]
    )
    years = years - years[0]
    first = years <= 1.0
    whole = fit_line(years, data["resistance"]).estimates[1]
    assert fit_line(years[first], data["resistance"][first]).estimates[1] > 1.2 * whole


def test_no_drift_of_a_heat_flow_calibration_factor():
    """e-Handbook 1.4.2.8: 9.26699 (0.003253), -5.64e-5 (2.878e-5), t -1.960: not significant."""
    y = published("nist_heat_flow_factor")["y"]
    fit = fit_line(np.arange(1, y.size + 1), y)
    assert fit.estimates == pytest.approx([9.266989, -5.64114e-5], rel=5e-6)
    assert fit.uncertainties == pytest.approx([0.00325274, 2.87812e-5], rel=5e-6)
    assert abs(fit.estimates[1] / fit.uncertainties[1]) < 1.972  # t(0.975, 193)
