"""The study as a whole, on frames of known truth: what it says, and what it does not say."""

import numpy as np
import polars as pl
import pytest
from range_fleets import BANDS, Bench, frames

from analysis.deviation import with_deviations
from analysis.evidence import CIRCUMSTANCES
from analysis.range_claim import Subject, Unanswered, Verdict
from analysis.range_error import BandRatio
from analysis.range_scatter import RangeScatter
from analysis.range_study import RangeStudy, StudyRules, range_study
from analysis.trust_floor import TrustFloor
from analysis.vocabulary import Band, Direction, Mechanism

CW = Direction.CLOCKWISE
RULES = StudyRules(bands=BANDS, low_mark=0.2, tolerated_pull_risk=0.02, ppk_aimed_at=1.0)


def study(*benches: Bench) -> RangeStudy:
    wrenches, readings, checks = frames(*benches)
    return range_study(wrenches, with_deviations(wrenches, readings), checks, RULES)


def verdicts(found: RangeStudy) -> dict[tuple[Subject, Mechanism], Verdict]:
    return {(claim.subject, claim.mechanism): claim.verdict for claim in found.claims}


@pytest.fixture(scope="module")
def both() -> RangeStudy:
    """Click wrenches that rub, electronic ones that do not."""
    return study(
        Bench(friction_nm=0.35, prefix="S"),
        Bench(mechanism=Mechanism.ELECTRONIC, prefix="E", seed=2, mpd_pct=2.0),
    )


def test_friction_is_confirmed_and_its_absence_is_not(both: RangeStudy) -> None:
    found = verdicts(both)
    assert found[Subject.BOTTOM_IS_LESS_RELIABLE, Mechanism.SPRING] is Verdict.CONFIRMED
    assert found[Subject.BOTTOM_SCATTERS_MORE, Mechanism.SPRING] is Verdict.CONFIRMED
    assert found[Subject.BOTTOM_IS_LESS_RELIABLE, Mechanism.ELECTRONIC] is Verdict.NOT_CONFIRMED
    assert found[Subject.ELECTRONIC_IS_BETTER, Mechanism.SPRING] is Verdict.CONFIRMED


def test_mechanisms_that_behave_alike_are_not_told_apart_by_their_names() -> None:
    """The same readings under the other name: what is assumed of springs decides nothing."""
    found = verdicts(study(Bench(prefix="S"), Bench(mechanism=Mechanism.ELECTRONIC, prefix="E")))
    assert found[Subject.BOTTOM_IS_LESS_RELIABLE, Mechanism.SPRING] is Verdict.NOT_CONFIRMED
    assert found[Subject.ELECTRONIC_IS_BETTER, Mechanism.SPRING] is not Verdict.CONFIRMED


def test_the_constant_part_is_the_friction(both: RangeStudy) -> None:
    """0.35 N·m on 100 N·m is 0.35 % of full scale."""
    spring = both.of(Mechanism.SPRING, CW)
    assert spring is not None
    assert isinstance(spring.scatter, RangeScatter)
    assert spring.scatter.alpha_pct.lower < 0.35 < spring.scatter.alpha_pct.upper
    low, _, upper = spring.bands
    assert low.scatter_pct.value == pytest.approx(1.78, rel=0.15)  # hypot(0.35 / 0.2, 0.3)
    assert upper.scatter_pct.value == pytest.approx(0.46, rel=0.15)
    assert [band.band for band in spring.bands] == list(Band)


def test_the_curve_passes_between_the_places(both: RangeStudy) -> None:
    spring = both.of(Mechanism.SPRING, CW)
    assert spring is not None
    for place in spring.places:
        near = min(spring.curve, key=lambda point: abs(point.x - place.x))
        assert near.scatter_pct.value == pytest.approx(place.scatter_pct.value, rel=0.25)


def test_trust_begins_where_friction_leaves_room(both: RangeStudy) -> None:
    spring, electronic = both.of(Mechanism.SPRING, CW), both.of(Mechanism.ELECTRONIC, CW)
    assert spring is not None
    assert electronic is not None
    assert isinstance(spring.floor_by_risk, TrustFloor)
    assert isinstance(electronic.floor_by_risk, TrustFloor)
    assert spring.floor_by_risk.floor > 0.2
    assert electronic.floor_by_risk.floor == electronic.floor_by_risk.lowest_checked


def test_what_the_error_is_made_of_is_said_at_both_ends(both: RangeStudy) -> None:
    spring = both.of(Mechanism.SPRING, CW)
    assert spring is not None
    first = spring.parts_at_low_mark[0]
    assert (first.name, first.term) == ("scatter", "offset")


def test_too_few_wrenches_are_told_so_and_what_would_do() -> None:
    found = study(Bench(wrenches=3, friction_nm=0.35))
    one = found.of(Mechanism.SPRING, CW)
    assert one is not None
    assert isinstance(one.ratio, Unanswered)
    assert "3 wrenches" in one.ratio.because
    claim = found.claims[0]
    assert claim.verdict is Verdict.TOO_LITTLE_DATA
    assert claim.unanswered == one.ratio
    assert isinstance(one.floor_by_risk, Unanswered)


def test_a_shop_without_checks_has_nothing_to_study() -> None:
    wrenches, readings, checks = frames(Bench())
    empty = range_study(
        wrenches, with_deviations(wrenches, readings.clear()), checks.clear(), RULES
    )
    assert (empty.mechanisms, empty.claims) == ((), ())


def test_cards_from_other_benches_do_not_count() -> None:
    wrenches, readings, checks = frames(Bench())
    cards = readings.with_columns(pl.lit(True).alias("card"))
    found = range_study(wrenches, with_deviations(wrenches, cards), checks, RULES)
    assert found.mechanisms == ()


def test_an_open_claim_says_how_many_more_would_settle_it() -> None:
    found = study(Bench(wrenches=6, friction_nm=0.1, checks=2, gain_share=0.004))
    claim = found.claims[0]
    assert claim.verdict is Verdict.TOO_LITTLE_DATA
    assert claim.settling is not None
    assert claim.settling.wrenches_more is None or claim.settling.wrenches_more > 0


def test_coarse_steps_of_the_tester_are_not_taken_for_friction() -> None:
    """Steps of 0.3 N·m look like an alpha of 0.087 % of full scale; where they are known that is
    taken out."""
    bench = Bench(step_nm=0.3, share=0.008, wrenches=40, checks=4)
    wrenches, readings, checks = frames(bench)
    deviations = with_deviations(wrenches, readings)
    known = range_study(wrenches, deviations, checks, RULES).of(Mechanism.SPRING, CW)
    unknown = range_study(wrenches, deviations, pl.DataFrame(schema=CIRCUMSTANCES), RULES).of(
        Mechanism.SPRING, CW
    )
    assert known is not None
    assert unknown is not None
    assert isinstance(known.scatter, RangeScatter)
    assert isinstance(unknown.scatter, RangeScatter)
    assert unknown.scatter.alpha_pct.lower > 0.0
    assert known.scatter.alpha_pct.lower == 0.0
    assert known.scatter.rounding_pct == pytest.approx(0.3 / np.sqrt(12), rel=1e-6)
    assert not known.scatter.steps_too_coarse


def test_steps_that_hide_the_scatter_are_said_to() -> None:
    one = study(Bench(step_nm=1.0, share=0.003)).of(Mechanism.SPRING, CW)
    assert one is not None
    assert isinstance(one.scatter, RangeScatter)
    assert one.scatter.steps_too_coarse
    assert isinstance(one.ratio, Unanswered)
    assert one.ratio.needed == "a tester that shows finer steps"


def test_a_scale_that_is_set_anew_is_told_from_one_set_once() -> None:
    """Wrenches with divisions of 0.5, 1 and 2 N·m: kappa is 1 where each pull was set anew."""
    coarse = Bench(divisions_nm=(0.5, 1.0, 2.0), wrenches=24, friction_nm=0.1)
    anew = study(Bench(**(coarse.__dict__ | {"set_anew": True}))).of(Mechanism.SPRING, CW)
    once = study(coarse).of(Mechanism.SPRING, CW)
    assert anew is not None
    assert once is not None
    assert anew.scale.kappa.lower < 1.0 < anew.scale.kappa.upper
    assert once.scale.kappa.lower < 0.0 < once.scale.kappa.upper < 0.1
    assert once.scale.told_apart
    assert not anew.scale.told_apart


def test_divisions_that_are_all_as_fine_cannot_be_told_apart() -> None:
    one = study(Bench(divisions_nm=(2.0,), friction_nm=0.3)).of(Mechanism.SPRING, CW)
    assert one is not None
    assert one.scale.kappa is None
    assert not one.scale.told_apart  # 2 / sqrt(12) = 0.58 % of full scale would explain it all


def test_one_pair_of_hands_cannot_be_told_from_the_wrenches() -> None:
    one = study(Bench(friction_nm=0.3)).of(Mechanism.SPRING, CW)
    assert one is not None
    assert not one.hands.told_apart
    assert [hand.operator for hand in one.hands.each] == ["ada"]


def test_the_steadiest_hands_come_first() -> None:
    bench = Bench(friction_nm=0.2, checks=4, operators=(("ben", 3.0), ("ada", 1.0), ("", 1.0)))
    one = study(bench).of(Mechanism.SPRING, CW)
    assert one is not None
    assert one.hands.told_apart
    assert [hand.operator for hand in one.hands.each] == ["ada", "ben"]
    steady, unsteady = (hand.scatter.alpha_pct for hand in one.hands.each)
    assert steady.upper < unsteady.lower
    assert one.hands.unnamed > 0


def test_sizes_are_studied_apart_as_well() -> None:
    found = study(
        Bench(friction_nm=0.35, prefix="M"),
        Bench(friction_nm=0.07, full_scale_nm=20.0, wrenches=4, prefix="S"),
    ).of(Mechanism.SPRING, CW)
    assert found is not None
    medium, small = found.families
    assert (medium.size, small.size) == ("medium", "small")
    assert isinstance(medium.ratio, BandRatio)
    assert isinstance(small.ratio, Unanswered)
