"""Certified values of the NIST Statistical Reference Datasets (itl.nist.gov/div898/strd)."""

import math

import numpy as np
import polars as pl
import pytest
from published_data import published

from analysis.repeatability import pooled_within
from analysis.straight_line import fit_columns, fit_line, fit_polynomial
from analysis.variance_levels import variance_levels


def test_norris_line():
    """NIST StRD, linear regression, Norris (lower difficulty)."""
    data = published("nist_strd_norris")
    fit = fit_line(data["x"], data["y"])
    assert fit.estimates == pytest.approx(
        [-0.262323073774029, 1.00211681802045], rel=1e-12, abs=0.0
    )
    assert fit.uncertainties == pytest.approx(
        [0.232818234301152, 0.000429796848199937], rel=1e-12, abs=0.0
    )
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-12, abs=0.0)
    assert (fit.residuals**2).sum() == pytest.approx(26.6173985294224, rel=1e-12, abs=0.0)
    assert fit.df == 34


def test_pontius_parabola():
    """NIST StRD, linear regression, Pontius (lower difficulty); load cell, x up to 3e6."""
    data = published("nist_strd_pontius")
    fit = fit_polynomial(data["x"], data["y"], (0, 1, 2))
    assert fit.estimates == pytest.approx(
        [0.000673565789473684, 7.32059160401003e-7, -3.16081871345029e-15], rel=1e-11, abs=0.0
    )
    assert fit.uncertainties == pytest.approx(
        [0.000107938612033077, 1.57817399981659e-10, 4.86652849992036e-17], rel=1e-11, abs=0.0
    )
    assert fit.residual_sd == pytest.approx(0.000205177424076185, rel=1e-11, abs=0.0)
    assert fit.df == 37


def test_line_through_the_origin_noint1():
    """NIST StRD, linear regression, NoInt1 (average difficulty)."""
    data = published("nist_strd_noint1")
    fit = fit_polynomial(data["x"], data["y"], (1,))
    assert fit.estimates == pytest.approx([2.07438016528926], rel=1e-13, abs=0.0)
    assert fit.uncertainties == pytest.approx([0.0165289256198347], rel=1e-12, abs=0.0)
    assert fit.residual_sd == pytest.approx(3.56753034006338, rel=1e-13, abs=0.0)


def test_longley_nearly_collinear_columns():
    """NIST StRD, linear regression, Longley (higher difficulty)."""
    data = published("nist_strd_longley")
    columns = np.column_stack([np.ones(16)] + [data[f"x{i}"] for i in range(1, 7)])
    fit = fit_columns(columns, data["y"])
    assert fit.estimates == pytest.approx(
        [
            -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683,
            -1.03322686717359, -0.0511041056535807, 1829.15146461355,
        ],
        rel=1e-9,
        abs=0.0,
    )  # fmt: skip
    assert fit.uncertainties == pytest.approx(
        [
            890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699,
            0.214274163161675, 0.226073200069370, 455.478499142212,
        ],
        rel=1e-9,
        abs=0.0,
    )  # fmt: skip
    assert fit.residual_sd == pytest.approx(304.854073561965, rel=1e-10, abs=0.0)
    assert fit.df == 9


@pytest.mark.parametrize(
    ("name", "group", "value", "between", "within", "f", "sd", "digits"),
    [
        ("sirstv", "instrument", "resistance", 0.0511462616, 0.216636560, 1.18046237440255,
         0.104076068334656, 1e-12),
        ("smls01", "group", "y", 1.68, 1.80, 21.0, 0.1, 1e-13),
        # Digits beyond these are lost when the data are stored as binary numbers.
        ("smls04", "group", "y", 1.68, 1.80, 21.0, 0.1, 1e-9),
        ("smls07", "group", "y", 1.68, 1.80, 21.0, 0.1, 1e-3),
        ("atmwtag", "group", "y", 3.63834187500000e-9, 1.04951729166667e-8, 15.9467335677930,
         1.51048314446410e-5, 1e-9),
    ],
)  # fmt: skip
def test_one_way_analysis_of_variance(name, group, value, between, within, f, sd, digits):
    """NIST StRD, analysis of variance, SiRstv, SmLs01, 04, 07 and AtmWtAg."""
    data = published(f"nist_strd_{name}")
    levels = variance_levels(data[value], data[group])
    assert levels.sum_between == pytest.approx(between, rel=digits, abs=0.0)
    assert levels.sum_within == pytest.approx(within, rel=digits, abs=0.0)
    assert levels.f == pytest.approx(f, rel=digits, abs=0.0)
    assert levels.within.sd == pytest.approx(sd, rel=digits, abs=0.0)


UNIVARIATE = [
    ("lottery", 518.958715596330, 291.699727470969, 1e-13),
    ("michelso", 299.852400000000, 0.0790105478190518, 1e-12),
    ("mavro", 2.00185600000000, 0.000429123454003053, 1e-11),
    ("numacc1", 10000002.0, 1.0, 1e-13),
    ("numacc2", 1.2, 0.1, 1e-13),
    # As above: 0.1 on top of a million or ten millions has lost these digits in storage.
    ("numacc3", 1000000.2, 0.1, 1e-8),
    ("numacc4", 10000000.2, 0.1, 1e-7),
]


@pytest.mark.parametrize(("name", "mean", "sd", "digits"), UNIVARIATE)
def test_mean_and_sd(name, mean, sd, digits):
    """NIST StRD, univariate: as a fit of a constant, and as repeats of one check at one target."""
    values = published(f"nist_strd_{name}")["y"].astype(np.float64)
    fit = fit_polynomial(np.ones_like(values), values, (0,))
    assert fit.estimates[0] == pytest.approx(mean, rel=1e-14, abs=0.0)
    assert fit.residual_sd == pytest.approx(sd, rel=digits, abs=0.0)
    squares, df = pooled_within(
        pl.DataFrame({"check": "one", "at": 1.0, "deviation_pct": values}), "deviation_pct"
    )
    assert df == values.size - 1
    assert math.sqrt(squares / df) == pytest.approx(sd, rel=digits, abs=0.0)


def test_the_textbook_one_pass_formula_fails_on_numacc4():
    """NIST StRD, NumAcc4: why squares are summed about the mean; the short formula is far off."""
    values = published("nist_strd_numacc4")["y"]
    one_pass = (values**2).sum() - values.size * values.mean() ** 2
    assert abs(one_pass - 0.1**2 * (values.size - 1)) > 1.0
