"""Published degrees of freedom and coverage factors, and the budget of ISO 6789-2 in numbers."""

import math

import pytest

from analysis.uncertainty import budget, effective_degrees_of_freedom, student_factor
from analysis.uncertainty_terms import (
    Contribution,
    Term,
    reference_device,
    type_value,
)


def test_end_gauge_of_the_gum():
    """JCGM 100:2008 H.1: u_c 32 nm, ν_eff 16, t99(16) 2.92, U99 93 nm.

    Contributions 25, 9.7 (of 5.8, 3.9, 6.7), 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of
    freedom. 16.7 is printed for ν_eff; the printed terms give 16.8, and the GUM cuts it to 16.
    93 is 2.92 times the rounded 32.
    """
    u = [25.0, math.hypot(5.8, 3.9, 6.7), 2.9, 16.6]
    df = effective_degrees_of_freedom(u, [18.0, 25.6, 50.0, 2.0])
    combined = math.hypot(*u)
    assert round(combined) == 32
    assert df == pytest.approx(16.75, abs=0.06)
    assert student_factor(df, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert round(student_factor(df, 0.99) * round(combined)) == 93


@pytest.mark.parametrize(
    ("df", "coverage", "factor"),
    [
        (1, 0.95, 12.71), (4, 0.95, 2.78), (10, 0.95, 2.23), (50, 0.95, 2.01),
        (4, 0.9545, 2.87), (10, 0.9545, 2.28), (20, 0.9545, 2.13), (math.inf, 0.9545, 2.000),
        (16, 0.99, 2.92), (math.inf, 0.99, 2.576),
    ],
)  # fmt: skip
def test_coverage_factors_of_the_gum(df, coverage, factor):
    """JCGM 100:2008, table G.2 (from memory)."""
    assert student_factor(df, coverage) == pytest.approx(factor, abs=5.5e-3)


def test_budget_of_a_torque_tool_in_numbers():
    """The formulas of ISO 6789-2:2017 (from memory) on invented input, computed independently.

    w_md 0.25, resolution 0.058, b_rep 0.6, b_od 0.3, b_int 0.2, b_l 0.3, s 0.5 of five readings,
    all in %: w 0.405213, W 0.810425.
    """
    # Five readings with an SD of exactly 0.5 about 1.0.
    step = 0.5 / math.sqrt(2.5)
    readings = [1.0 + k * step for k in (-2, -1, 0, 1, 2)]
    spreads = {
        Term.REPRODUCIBILITY: 0.6,
        Term.OUTPUT_DRIVE: 0.3,
        Term.INTERFACE: 0.2,
        Term.LOADING_POINT: 0.3,
    }
    known = [
        reference_device(0.5, 2.0),
        Contribution(Term.RESOLUTION, 0.058, "measured", math.inf, "given"),
        *(type_value(term, b, tools=10, model="invented") for term, b in spreads.items()),
    ]
    found = budget(
        readings,
        known,
        left_out={Term.REFERENCE_DRIFT: "not in the example"},
        reference_error_pct=0,
    )
    terms = {each.name: each.standard_uncertainty_pct for each in found.contributions}
    assert terms == pytest.approx(
        {
            Term.REFERENCE_DEVICE: 0.25,
            Term.RESOLUTION: 0.058,
            Term.REPRODUCIBILITY: 0.173205,
            Term.OUTPUT_DRIVE: 0.0866025,
            Term.INTERFACE: 0.057735,
            Term.LOADING_POINT: 0.0866025,
            Term.REPEATABILITY: 0.223607,
        },
        abs=5e-7,
    )
    assert found.complete
    assert found.combined_pct == pytest.approx(0.405213, abs=5e-7)
    assert found.expanded_pct == pytest.approx(0.810425, abs=5e-7)
    assert found.interval_pct == pytest.approx(1.810425, abs=5e-7)
