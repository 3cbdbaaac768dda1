"""The uncertainty budget of a calibration of one wrench."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from invented_wrench import check_rows, history
from sample_histories import Story, Visit, a_law, family_of, histories_of, laws_together

from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit
from analysis.uncertainty import (
    budget,
    budgets_of_check,
    effective_degrees_of_freedom,
    student_factor,
)
from analysis.uncertainty_terms import (
    Contribution,
    Term,
    reference_device,
    reference_drift,
    reproducibility_of_family,
    resolution,
    spread_of_sequences,
    type_value,
)

READINGS = [1.0, 1.4, 0.6, 1.2, 0.8]
GEOMETRIC = (Term.REPRODUCIBILITY, Term.OUTPUT_DRIVE, Term.INTERFACE, Term.LOADING_POINT)


def all_known() -> list[Contribution]:
    return [
        reference_device(0.5, 2.0),
        reference_drift(0.1),
        resolution(0.05, 20.0, zero_is_read=False),
        *(type_value(term, 0.3, tools=10, model="M") for term in GEOMETRIC),
    ]


def a_family(law_count: int = 2) -> FamilyFit:
    laws = [a_law(check_sd=(0.3 + 0.1 * k, 0.04)) for k in range(law_count)]
    return family_of(laws_together(*laws), histories_of(Story([Visit(0.0, [(0.2, 0.1)])])))


def test_a_complete_budget_names_nothing() -> None:
    found = budget(READINGS, all_known(), reference_error_pct=-0.2)
    assert found.complete
    assert {each.name for each in found.contributions} == set(Term)
    assert found.expanded_pct == pytest.approx(2 * found.combined_pct)
    assert found.interval_pct == pytest.approx(1.0 + found.expanded_pct + 0.2)
    assert math.hypot(*(c.standard_uncertainty_pct or 0.0 for c in found.contributions)) == (
        pytest.approx(found.combined_pct)
    )


def test_what_is_not_known_is_named_and_not_taken_as_zero() -> None:
    found = budget(READINGS, [reference_device(0.5, 2.0)])
    missing = {each.name for each in found.contributions if each.origin == "missing"}
    assert missing == {*GEOMETRIC, Term.REFERENCE_DRIFT, Term.RESOLUTION}
    assert all(
        each.standard_uncertainty_pct is None
        for each in found.contributions
        if each.name in missing
    )
    assert not found.complete
    words = " ".join(found.incomplete_of)
    assert all(symbol in words for symbol in ("b_rep", "b_od", "b_int", "b_l", "resolution"))
    assert "error of the tester" in words
    assert found.expanded_pct < budget(READINGS, all_known()).expanded_pct


def test_a_term_that_does_not_apply_is_left_out_with_its_reason() -> None:
    known = [each for each in all_known() if each.name is not Term.LOADING_POINT]
    reason = {Term.LOADING_POINT: "length has no effect on this tool"}
    found = budget(READINGS, known, left_out=reason, reference_error_pct=0.0)
    assert found.complete
    assert found.left_out == reason
    assert Term.LOADING_POINT not in {each.name for each in found.contributions}


@pytest.mark.parametrize("left_out", [None, {Term.REFERENCE_DRIFT: "x"}])
def test_a_term_that_comes_twice_is_refused(left_out: dict[Term, str] | None) -> None:
    twice = [reference_drift(0.1)] * (2 if left_out is None else 1)
    with pytest.raises(ValueError, match="reference_drift comes twice"):
        budget(READINGS, twice, left_out=left_out)


def test_no_reading_no_budget_and_one_reading_no_repeatability() -> None:
    with pytest.raises(ValueError, match="at least one reading"):
        budget([], [])
    assert "repeatability (b_re)" in budget([1.0], all_known()).incomplete_of


def test_few_readings_that_rule_the_budget_show_in_the_student_factor() -> None:
    """Repeatability alone, five readings: t with 4 degrees of freedom at 95.45 %, 2.87."""
    found = budget(READINGS, [])
    assert found.degrees_of_freedom == pytest.approx(4.0)
    assert found.student_factor == pytest.approx(2.87, abs=5e-3)  # GUM, table G.2
    well_known = budget([1.0, 1.01, 0.99, 1.0, 1.0], all_known())
    assert well_known.student_factor == pytest.approx(2.0, abs=1e-3)


def test_a_spread_is_that_of_the_means_of_its_sequences() -> None:
    sequences: list[Sequence[float]] = [[0.0, 0.2], [0.5, 0.5], [0.3, 0.1], [0.4, 0.0]]
    found = spread_of_sequences(Term.REPRODUCIBILITY, sequences)
    assert found.standard_uncertainty_pct == pytest.approx(0.4 / math.sqrt(12))
    assert found.origin == "measured"
    with pytest.raises(NotEnoughEvidence, match="one sequence"):
        spread_of_sequences(Term.REPRODUCIBILITY, sequences[:1])


def test_a_value_of_the_type_needs_ten_tools() -> None:
    assert type_value(Term.INTERFACE, 0.2, tools=10, model="M").origin == "assumed"
    with pytest.raises(NotEnoughEvidence, match="9 tools") as refusal:
        type_value(Term.INTERFACE, 0.2, tools=9, model="M")
    assert "1 more" in refusal.value.needed


def test_the_resolution_counts_twice_where_the_zero_is_read() -> None:
    once = resolution(0.1, 20.0, zero_is_read=False)
    twice = resolution(0.1, 20.0, zero_is_read=True)
    assert once.standard_uncertainty_pct == pytest.approx(0.5 / math.sqrt(12))
    assert twice.standard_uncertainty_pct == pytest.approx(0.5 / math.sqrt(6))


def test_reproducibility_of_the_family_grows_low_in_the_range_and_says_what_it_holds() -> None:
    low, full = (reproducibility_of_family(a_family(), x) for x in (0.1, 1.0))
    assert low.standard_uncertainty_pct == pytest.approx(
        math.sqrt(np.mean([0.3**2 + 0.4**2, 0.4**2 + 0.4**2]))
    )
    assert (full.standard_uncertainty_pct or 9.0) < 0.4
    assert full.origin == "assumed"
    assert "more than the standard's term" in full.how


def test_a_family_that_knows_itself_ill_gives_few_degrees_of_freedom() -> None:
    """Laws that say 0.3 and 0.4: mean 0.35, SD 0.05, so (0.35 / 0.05)² / 2 = 24.5 at full scale."""
    laws = laws_together(*(a_law(check_sd=(g, 1e-9)) for g in (0.3, 0.4)))
    family = family_of(laws, histories_of(Story([Visit(0.0, [(0.2, 0.1)])])))
    found = reproducibility_of_family(family, 1.0)
    assert found.degrees_of_freedom == pytest.approx(24.5)
    agreed = reproducibility_of_family(a_family(law_count=1), 1.0)
    assert agreed.degrees_of_freedom == math.inf


def test_the_budgets_of_a_check_follow_its_targets() -> None:
    """Resolution weighs five times as much at 20 N·m as at 100 N·m."""
    frame = history(
        check_rows("A", {100.0: READINGS, 20.0: [d + 1 for d in READINGS]}), resolution_nm=0.5
    )
    found = budgets_of_check(frame, [reference_device(0.5, 2.0)], zero_is_read=False)
    assert list(found) == [20.0, 100.0]
    at = {
        nm: {c.name: c.standard_uncertainty_pct for c in each.contributions}
        for nm, each in found.items()
    }
    assert at[20.0][Term.RESOLUTION] == pytest.approx(5 * (at[100.0][Term.RESOLUTION] or 0.0))
    assert at[20.0][Term.REPEATABILITY] == pytest.approx(at[100.0][Term.REPEATABILITY])
    assert found[20.0].mean_deviation_pct == pytest.approx(2.0)
    assert at[20.0][Term.REPRODUCIBILITY] is None


def test_a_measured_reproducibility_goes_before_that_of_the_family() -> None:
    frame = history(check_rows("A", {20.0: READINGS}))
    measured = spread_of_sequences(Term.REPRODUCIBILITY, [[0.0], [0.3]])
    for given, origin in (([], "assumed"), ([measured], "measured")):
        found = budgets_of_check(frame, given, zero_is_read=False, family=a_family())[20.0]
        term = next(c for c in found.contributions if c.name is Term.REPRODUCIBILITY)
        assert term.origin == origin
        assert "the resolution of the wrench" in found.incomplete_of


def test_two_checks_are_not_one() -> None:
    frame = history(check_rows("A", {20.0: READINGS}), check_rows("B", {20.0: READINGS}))
    with pytest.raises(ValueError, match="more than one check"):
        budgets_of_check(frame, [], zero_is_read=False)


def test_degrees_of_freedom_lie_between_the_least_and_the_sum() -> None:
    """Equal parts add theirs; a part without uncertainty adds nothing; exact ones only help."""
    assert effective_degrees_of_freedom([1.0, 1.0], [4.0, 4.0]) == pytest.approx(8.0)
    assert effective_degrees_of_freedom([1.0, 0.0], [4.0, 2.0]) == pytest.approx(4.0)
    assert effective_degrees_of_freedom([1.0, 2.0], [4.0, math.inf]) == pytest.approx(100.0)
    assert effective_degrees_of_freedom([], []) == math.inf


def test_a_factor_needs_at_least_one_degree_of_freedom() -> None:
    assert student_factor(0.4, 0.95) == pytest.approx(12.706, abs=1e-3)
