"""The rule about the bottom of the range, and what it would take to settle an open claim."""

import numpy as np
import pytest
from range_fleets import a_law, bands_at, simulated

from analysis.clustered import positive_estimate
from analysis.range_claim import (
    MATTERS,
    Said,
    Subject,
    Unanswered,
    Verdict,
    claims_about,
    judge,
    what_would_settle,
)
from analysis.range_error import BandRatio, band_ratio
from analysis.vocabulary import Direction, Mechanism


def ratio(value: float, log_se: float, df: float = 30.0):
    return positive_estimate(np.log(value), log_se, df)


@pytest.mark.parametrize(
    ("value", "log_se", "verdict"),
    [
        (2.0, 0.05, Verdict.CONFIRMED),
        (1.0, 0.05, Verdict.NOT_CONFIRMED),
        (1.24, 0.001, Verdict.NOT_CONFIRMED),  # a difference, surely, but too small to matter
        (2.0, 0.40, Verdict.TOO_LITTLE_DATA),  # large, but who knows
        (1.25, 0.10, Verdict.TOO_LITTLE_DATA),
    ],
)
def test_the_whole_interval_must_lie_on_one_side(
    value: float, log_se: float, verdict: Verdict
) -> None:
    assert judge(ratio(value, log_se)) is verdict


def found(value: float, log_se: float, wrenches: int, of_checks: float) -> BandRatio:
    return BandRatio(ratio(value, log_se, wrenches - 1.0), of_checks, wrenches, 4 * wrenches)


def test_as_many_wrenches_as_said_leave_room_for_the_interval_and_the_power() -> None:
    """With n wrenches the reach (t + 0.84) s / sqrt(n) must fit between the ratio and 1.25."""
    more = what_would_settle(found(1.6, 0.2, 10, 0.5)).wrenches_more
    assert more is not None
    distance = np.log(1.6 / MATTERS)
    one = 0.2 * np.sqrt(10)
    from scipy.stats import norm, t

    def reach(n: int) -> float:
        return (t.ppf(0.975, n - 1) + norm.ppf(0.8)) * one / np.sqrt(n)

    assert reach(10 + more) <= distance < reach(10 + more - 1)


def test_checks_help_only_as_far_as_they_are_the_doubt() -> None:
    assert what_would_settle(found(1.9, 0.2, 10, 0.9)).checks_more is not None
    assert what_would_settle(found(1.9, 0.2, 10, 0.05)).checks_more is None


def test_a_ratio_at_the_mark_is_never_settled() -> None:
    settling = what_would_settle(found(MATTERS, 0.2, 10, 0.5))
    assert (settling.wrenches_more, settling.checks_more) == (None, None)


def test_as_many_wrenches_as_said_do_settle_it() -> None:
    """A fleet of 8 with friction is open; with as many more as it asks for in the middle of 40
    such fleets, at least 60 % of new fleets are settled (80 % is aimed at, but each asks by an
    estimate of its own)."""
    law = a_law(alpha=0.15)
    asked = []
    for seed in range(40):
        cells = simulated(law, 8, seed=seed)
        one = band_ratio(cells, bands_at(cells), "low", "upper")
        if judge(one.ratio) is Verdict.TOO_LITTLE_DATA:
            asked.append(what_would_settle(one).wrenches_more or 300)
    assert len(asked) >= 10
    size = 8 + int(np.median(asked))
    settled = 0
    for seed in range(100, 140):
        cells = simulated(law, size, seed=seed)
        settled += judge(band_ratio(cells, bands_at(cells), "low", "upper").ratio) is (
            Verdict.CONFIRMED
        )
    assert settled / 40 >= 0.6


def said(mechanism: Mechanism, low_error: float | None = 1.0) -> Said:
    lacking = Unanswered("it rests on no wrench", "five")
    return Said(
        mechanism,
        Direction.CLOCKWISE,
        lacking,
        ratio(2.0, 0.05),
        None if low_error is None else ratio(low_error, 0.1, 9.0),
    )


def test_every_mechanism_is_judged_and_the_two_kinds_are_compared() -> None:
    claims = claims_about([said(Mechanism.SPRING, 3.0), said(Mechanism.ELECTRONIC, 1.0)])
    by_subject = {(c.subject, c.mechanism): c for c in claims}
    open_claim = by_subject[Subject.BOTTOM_IS_LESS_RELIABLE, Mechanism.SPRING]
    assert open_claim.verdict is Verdict.TOO_LITTLE_DATA
    assert open_claim.unanswered is not None
    assert by_subject[Subject.BOTTOM_SCATTERS_MORE, Mechanism.SPRING].verdict is Verdict.CONFIRMED
    contrast = by_subject[Subject.ELECTRONIC_IS_BETTER, Mechanism.SPRING]
    assert contrast.verdict is Verdict.CONFIRMED
    assert contrast.ratio is not None
    assert contrast.ratio.value == pytest.approx(3.0)
    assert contrast.ratio.se == pytest.approx(np.sqrt(0.02))
    assert contrast.ratio.df == pytest.approx(18.0)  # Welch-Satterthwaite of two alike


def test_without_the_other_kind_nothing_is_compared() -> None:
    subjects = {c.subject for c in claims_about([said(Mechanism.SPRING)])}
    assert Subject.ELECTRONIC_IS_BETTER not in subjects


def test_a_comparison_that_lacks_one_side_says_what_would_do() -> None:
    claims = claims_about([said(Mechanism.SPRING), said(Mechanism.ELECTRONIC, None)])
    contrast = claims[-1]
    assert contrast.verdict is Verdict.TOO_LITTLE_DATA
    assert contrast.unanswered is not None
