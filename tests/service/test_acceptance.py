"""Taking a wrench into use: each rule, with what it says."""

import dataclasses
from datetime import date

import pytest
from sample_records import NOW, a_card, a_wrench, nm

from analysis.prescribed_points import PointCount
from analysis.vocabulary import CheckKind, Direction, Edition
from service.acceptance import AcceptanceVerdict, judge_acceptance
from service.acceptance_criteria import Criterion, Outcome
from service.frames import day_of
from service.proofs import Proof
from service.records import (
    CheckPaper,
    Indication,
    MaximumPermissibleDeviation,
    Policy,
    ToleranceBasis,
)

ACCEPTED = AcceptanceVerdict.ACCEPTED
FOR_NOW = AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK
NOT_ACCEPTED = AcceptanceVerdict.NOT_ACCEPTED
TODAY = day_of(NOW)
CW = Direction.CLOCKWISE
EVERYWHERE = ((0.2, 5), (0.6, 5), (1.0, 5))


def full_card(**changes):
    """A card that leaves nothing open for TW-1."""
    return a_card(
        **{
            "expanded_uncertainty_pct": 0.6,
            "coverage_factor": 2.0,
            "serial": "TW-1",
            "model": "click wrench",
            "edition": Edition.E2017,
            "mpd": MaximumPermissibleDeviation(percent=4),
        }
        | changes
    )


def proof(name="c", card=None, *, u=0.6, k=2.0, days_ago=3.0, points=EVERYWHERE, **changes):
    """A check by a tester of the shop, or the card."""
    paper = CheckPaper(
        card=card,
        uncertainty_pct=card.expanded_uncertainty_pct if card else u,
        coverage_factor=card.coverage_factor if card else k,
    )
    fields = {
        "check": name,
        "kind": CheckKind.VERIFICATION if card else CheckKind.AS_FOUND,
        "day": TODAY - days_ago,
        "passed": True,
        "points": tuple(PointCount(x, readings) for x, readings in points),
        "paper": paper,
    }
    return Proof(**(fields | changes))


def judged(*proofs, wrench=None, policy=None):
    return judge_acceptance(wrench or a_wrench(), CW, proofs, policy or Policy(), TODAY)


def outcome(evidence, criterion):
    return next(each for each in evidence.judged if each.criterion is criterion)


def test_a_card_that_leaves_nothing_open_is_accepted_alone():
    found = judged(proof(card=full_card()))
    assert found.verdict is ACCEPTED
    assert found.because == "on the card W-77 of 2026-05-01"
    assert found.needed is None
    assert {each.criterion for each in found.card.judged} == set(Criterion)


def test_nothing_at_all_is_not_accepted_and_says_what_would_do():
    found = judged()
    assert found.verdict is NOT_ACCEPTED
    assert found.because == "there is neither a card nor a check for clockwise use"
    assert "20 %, 60 %, 100 % of full scale with 5 readings each" in found.needed


@pytest.mark.parametrize(
    ("changes", "criterion", "words"),
    [
        ({"serial": None}, Criterion.SERIAL, "does not state the wrench's serial"),
        ({"model": None}, Criterion.MODEL, "does not state its model"),
        ({"model": "other"}, Criterion.MODEL, "while click wrench is registered"),
        ({"mpd": None}, Criterion.TOLERANCE, "does not state its tolerance"),
        (
            {"mpd": MaximumPermissibleDeviation(percent=6)},
            Criterion.TOLERANCE,
            "±6 % of reading, wider than the ±4 % of reading",
        ),
        (
            # 1 % of full scale is 5 % of reading at 20 % of full scale.
            {"mpd": MaximumPermissibleDeviation(percent=1, basis=ToleranceBasis.FULL_SCALE)},
            Criterion.TOLERANCE,
            "±1 % of full scale, wider than",
        ),
        ({"expanded_uncertainty_pct": None}, Criterion.UNCERTAINTY, "the tester's uncertainty"),
        ({"expanded_uncertainty_pct": 1.1}, Criterion.UNCERTAINTY, "at most a quarter"),
    ],
)
def test_a_gap_in_the_card_is_named_and_leaves_it_until_the_first_own_check(
    changes, criterion, words
):
    found = judged(proof(card=full_card(**changes)))
    assert found.verdict is FOR_NOW
    assert outcome(found.card, criterion).outcome is Outcome.GAP
    assert words in found.because
    assert "one clockwise check on a tester of the shop" in found.needed


def test_everything_a_card_is_silent_about_is_told_in_one_breath():
    found = judged(proof(card=a_card()))
    assert found.because.endswith(
        "but the card does not state the wrench's serial, its model, the tester's uncertainty or "
        "its tolerance"
    )


def test_the_card_of_another_wrench_is_no_evidence():
    found = judged(proof(card=full_card(serial="TW-2")))
    assert found.verdict is NOT_ACCEPTED
    assert found.because.startswith("the card is that of TW-2, not of TW-1")
    with_own = judged(proof(card=full_card(serial="TW-2")), proof("own"))
    assert with_own.verdict is ACCEPTED
    assert "void the check that it was entered as" in with_own.because


@pytest.mark.parametrize("written", ["tw-1", "TW 1", "TW1"])
def test_a_serial_is_the_same_however_it_is_spaced(written):
    assert judged(proof(card=full_card(serial=written))).verdict is ACCEPTED


@pytest.mark.parametrize(("months", "verdict"), [(11, NOT_ACCEPTED), (12, ACCEPTED)])
def test_a_card_counts_for_as_many_months_as_the_shop_lets_it(months, verdict):
    card = full_card(issued_on=date(2025, 5, 5))
    policy = Policy(card_valid_months=months)
    found = judged(proof(card=card, day=day_of(NOW.replace(year=2025))), policy=policy)
    assert found.verdict is verdict
    assert (f"older than the {months} months" in found.because) is (verdict is NOT_ACCEPTED)


def test_which_lowest_value_is_asked_for_depends_on_the_edition():
    wide = a_wrench(lowest=nm(10))
    at_20 = proof(card=full_card(edition=Edition.E2003))
    assert judged(at_20, wrench=wide).verdict is ACCEPTED
    points = outcome(judged(at_20, wrench=wide).card, Criterion.POINTS)
    assert "below 20 % nothing was measured" in points.words
    by_2017 = judged(proof(card=full_card()), wrench=wide)
    assert by_2017.verdict is FOR_NOW
    assert "no readings at 10 % of full scale (ISO 6789:2017)" in by_2017.because
    unknown = judged(proof(card=full_card(edition=None)), wrench=wide)
    assert unknown.verdict is ACCEPTED
    assert "either lowest value will do" in outcome(unknown.card, Criterion.POINTS).words


def test_a_target_that_is_missing_and_too_few_readings_are_gaps():
    found = judged(proof(card=full_card(), points=((0.2, 3), (1.0, 5))))
    assert found.verdict is FOR_NOW
    assert "no readings at 60 % of full scale" in found.because
    assert "only 3 at 20 % of full scale where 5 readings are asked for" in found.because


def test_a_new_setting_wrench_without_a_graduation_wants_ten_readings_on_its_card():
    wrench = a_wrench(indication=Indication.SETTING_NOT_GRADUATED)
    assert (
        "where 10 readings are asked for" in judged(proof(card=full_card()), wrench=wrench).because
    )
    ten = proof(card=full_card(), points=((0.2, 10), (0.6, 10), (1.0, 10)))
    assert judged(ten, wrench=wrench).verdict is ACCEPTED
    assert judged(proof(), wrench=wrench).verdict is ACCEPTED  # checked again: five


@pytest.mark.parametrize(
    ("edition", "u", "k", "verdict"),
    [
        # ±4 %: 1 % either way; ±2 %: 1 % by the edition of 2003, a quarter is 0.5 %.
        (Edition.E2003, 1.0, 2.0, ACCEPTED),
        (Edition.E2003, 1.05, 2.0, FOR_NOW),
        (Edition.E2003, 1.5, 3.0, ACCEPTED),
        (Edition.E2003, 1.0, None, ACCEPTED),
        (Edition.E2017, 0.5, 2.0, ACCEPTED),
        (Edition.E2017, 0.6, 2.0, FOR_NOW),
        (None, 0.6, 2.0, ACCEPTED),
    ],
)
def test_the_tester_has_to_be_as_good_as_the_edition_asks(edition, u, k, verdict):
    mpd = MaximumPermissibleDeviation(percent=2)
    card = full_card(edition=edition, expanded_uncertainty_pct=u, coverage_factor=k, mpd=mpd)
    found = judged(proof(card=card), wrench=a_wrench(mpd_clockwise=mpd))
    assert found.verdict is verdict


def test_a_reading_outside_refuses_the_card():
    found = judged(proof(card=full_card(), passed=False))
    assert found.verdict is NOT_ACCEPTED
    assert found.found_out
    assert outcome(found.card, Criterion.READINGS_WITHIN).outcome is Outcome.FORBIDS


def test_own_checks_count_together():
    lower, upper = ((0.2, 5), (0.6, 3)), ((0.6, 3), (1.0, 5))
    assert judged(proof("a", points=lower)).verdict is FOR_NOW
    both = judged(proof("a", points=lower, days_ago=9), proof("b", points=upper))
    assert both.verdict is ACCEPTED
    assert both.own_checks.checks == ("a", "b")
    assert both.because == "on 2 of the shop's own checks, the last of 2026-05-01"


def test_a_check_as_left_begins_anew_and_ends_what_the_card_said():
    card = proof("card", full_card(), days_ago=200)
    failed = proof("failed", passed=False, days_ago=20)
    left = proof("left", kind=CheckKind.AS_LEFT, points=((0.2, 5),), days_ago=19)
    assert judged(card, failed).found_out
    found = judged(card, failed, left)
    assert found.verdict is FOR_NOW
    assert found.card is None
    assert found.own_checks.checks == ("left",)


def test_an_expired_card_does_not_weaken_what_the_shop_measured_itself():
    old = proof("card", full_card(), days_ago=1000)
    assert judged(old).verdict is NOT_ACCEPTED
    assert judged(old, proof("own")).verdict is ACCEPTED
    partly = judged(old, proof("own", points=((0.6, 5),)))
    assert partly.verdict is FOR_NOW


@pytest.mark.parametrize("criterion", Criterion)
def test_a_better_card_is_never_judged_worse(criterion):
    """Each gap mended on its own, from a card with every gap there is."""
    bare = a_card()
    mended = {
        Criterion.SERIAL: {"serial": "TW-1"},
        Criterion.MODEL: {"model": "click wrench"},
        Criterion.TOLERANCE: {"mpd": MaximumPermissibleDeviation(percent=4)},
        Criterion.UNCERTAINTY: {"expanded_uncertainty_pct": 0.5},
    }.get(criterion, {})
    before = judged(proof(card=bare))
    after = judged(proof(card=dataclasses.replace(bare, **mended)))
    gaps = [
        sum(each.outcome is Outcome.GAP for each in found.card.judged) for found in (before, after)
    ]
    assert gaps[1] == gaps[0] - bool(mended)
