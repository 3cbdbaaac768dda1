"""The range study in sentences: each verdict, what would settle what is open, grammar of one."""

import re
from datetime import date
from pathlib import Path

import pytest
from sample_records import a_wrench
from sample_study import (
    FEW,
    RULES,
    a_band,
    a_claim,
    a_floor,
    a_mechanism,
    a_part,
    a_scatter,
    a_study,
    a_window,
    an_open_claim,
    an_unanswered_claim,
    estimate,
)

from analysis.range_claim import Settling, Subject, Verdict
from analysis.scale_and_hand import Hand, Hands, ScaleShare
from analysis.vocabulary import Band, Direction, Mechanism
from service.range_causes import explained_in_words, hands_in_words, scale_in_words, steps_in_words
from service.range_finding import finding, made_of_in_words, verdict_in_words
from service.range_floors import trust_in_words, where_in_words
from service.range_wording import (
    PUBLISHED_RATES,
    RATES_COMMAND,
    claim_in_words,
    rate_in_words,
    ratio_in_words,
    rule_in_words,
    window_in_words,
)
from service.records import Policy
from service.torque import Torque

ROOT = Path(__file__).parents[2]
TODAY = date(2026, 5, 4)


def test_a_confirmed_claim_says_the_ratio_and_that_all_of_its_interval_is_above() -> None:
    assert claim_in_words(a_claim()) == (
        "That spring wrenches are less reliable at the bottom of their range, clockwise, is "
        "confirmed: as found, the typical error in the low band is 2.59 times that in the upper "
        "band (95 % interval 2.21 to 3.02, the whole of it above 1.25)."
    )


def test_a_claim_not_confirmed_is_no_claim_of_the_contrary() -> None:
    refuted = a_claim(
        subject=Subject.BOTTOM_SCATTERS_MORE,
        mechanism=Mechanism.ELECTRONIC,
        direction=Direction.COUNTER_CLOCKWISE,
        verdict=Verdict.NOT_CONFIRMED,
        ratio=estimate(1.04, 0.951, 1.14),
    )
    assert claim_in_words(refuted) == (
        "That electronic wrenches scatter more at the bottom of their range, counter-clockwise, is "
        "not confirmed: within a check, readings at the bottom scatter 1.04 times as much as at "
        "full scale (95 % interval 0.951 to 1.14, the whole of it below 1.25), so a difference, if "
        "there is one, is too small to matter."
    )


@pytest.mark.parametrize(
    ("settling", "words"),
    [
        (
            Settling(12, None),
            "12 more wrenches, checked as often as these, would settle it with a chance of 80 %",
        ),
        (
            Settling(1, 1),
            "1 more wrench, checked as often as these, or 1 more check of the same wrenches, would",
        ),
        (
            Settling(None, 40),
            "40 more checks of the same wrenches, would settle it with a chance of 80 %",
        ),
        (
            Settling(None, None),
            "so near 1.25 that no foreseeable number of wrenches or checks settles it.",
        ),
        (
            None,
            "More wrenches, checked at the bottom and at the top of their range, would narrow it.",
        ),
    ],
)
def test_an_open_claim_says_what_would_settle_it(settling: Settling | None, words: str) -> None:
    said = claim_in_words(an_open_claim(settling))
    assert said.startswith(
        "Whether spring wrenches are less reliable at the bottom of their range, clockwise, stays "
        "open: as found, the typical error in the low band is 1.08 times that in the upper band "
        "(95 % interval 0.89 to 1.3, with 1.25 inside). "
    )
    assert words in said


def test_of_scatter_only_wrenches_are_promised_or_denied() -> None:
    said = claim_in_words(an_open_claim(Settling(None, None), subject=Subject.BOTTOM_SCATTERS_MORE))
    assert said.endswith("that no foreseeable number of wrenches settles it.")


def test_a_claim_without_a_ratio_says_why_and_what_would_do() -> None:
    assert claim_in_words(an_unanswered_claim(mechanism=Mechanism.BEAM)) == (
        "Whether beam wrenches are less reliable at the bottom of their range, clockwise, stays "
        "open: it rests on 1 wrench; 5 such wrenches would do for a first answer."
    )


def test_the_two_kinds_are_compared_by_name() -> None:
    said = claim_in_words(a_claim(subject=Subject.ELECTRONIC_IS_BETTER))
    assert said.startswith(
        "That electronic wrenches are better than spring ones at the bottom of their range, "
        "clockwise, is confirmed: as found, the typical error of spring wrenches in the low band is"
        " 2.59 times that of electronic ones"
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [(2.588, "2.59"), (1.2, "1.2"), (1.2496, "1.2496"), (1.25002, "1.25002"), (12.34, "12.3")],
)
def test_a_ratio_is_never_rounded_onto_the_limit_that_it_is_judged_by(
    value: float, text: str
) -> None:
    assert ratio_in_words(value) == text


def test_the_rule_is_stated_with_its_number_and_when_it_was_laid_down() -> None:
    assert "1.25" in rule_in_words()
    assert "before any data" in rule_in_words()


def test_published_rates_are_those_of_the_developers_table() -> None:
    """The table says by which command they were found."""
    notes = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert RATES_COMMAND in notes
    assert (ROOT / RATES_COMMAND.removeprefix("python ")).is_file()
    null, twelve, forty = PUBLISHED_RATES
    assert f"None of {null.of:,} null fleets was confirmed" in notes
    assert null.confirmed == 0
    for rate, wrenches in ((twelve, 12), (forty, 40)):
        found = re.search(
            rf"^\| friction \(alpha 0\.3 %\) \| {wrenches} \| ([\d.]+) \|", notes, re.M
        )
        assert found is not None
        assert float(found[1]) == rate.confirmed
        assert f"{wrenches} wrenches" in rate.fleets
        assert f"{rate.of:,} fleets a row" in notes


def test_a_rate_reads_as_a_sentence() -> None:
    assert rate_in_words(PUBLISHED_RATES[0]) == (
        "none of 16,000 simulated fleets confirmed, where nothing is worse at the bottom; 6 to 40 "
        "wrenches"
    )
    assert rate_in_words(PUBLISHED_RATES[2]).startswith("97.5 % of 2,000 simulated fleets")


def test_a_window_is_told_in_the_unit_of_the_scale_with_its_doubt() -> None:
    wrench = a_wrench("SP-1", full_scale=Torque.of(100, "ft.lbf"), lowest=Torque.of(20, "ft.lbf"))
    assert window_in_words(a_window(), wrench, Policy(), TODAY) == (
        "SP-1 clockwise: on 2026-05-04 the chance of a pull outside its limit is within the 2 % "
        "that the shop tolerates from 25 ft·lbf to 100 ft·lbf (25 % to 100 % of full scale); its "
        "lower end may lie anywhere from 22 ft·lbf to 30 ft·lbf; it rests on 3 checks of its own, "
        "and on its family."
    )


def test_a_window_that_is_sure_or_may_be_nowhere_says_so() -> None:
    wrench = a_wrench("SP-1")
    sure = window_in_words(
        a_window(lowest=0.2, floor_lower=0.2, floor_upper=0.2, checks=1), wrench, Policy(), TODAY
    )
    assert "(20 % to 100 % of full scale); it rests on 1 check of its own" in sure
    shaky = window_in_words(a_window(floor_upper=None), wrench, Policy(), TODAY)
    assert "the lower end may be as low as 22 N·m, or nowhere" in shaky
    none = window_in_words(
        a_window(lowest=None, highest=None, floor_lower=None, floor_upper=None),
        wrench,
        Policy(),
        TODAY,
    )
    assert none == (
        "SP-1 clockwise: nowhere in its marked range is the chance of a pull outside its limit "
        "within the 2 % that the shop tolerates; it rests on 3 checks of its own, and on its "
        "family."
    )


@pytest.mark.parametrize(
    ("floor", "words"),
    [
        (a_floor(0.25, 0.22, 0.3), "from 25 % of full scale on (95 % interval 22 % to 30 %)"),
        (
            a_floor(0.25, 0.22, None),
            "from 25 % of full scale on (95 % interval from 22 % on, with no upper end)",
        ),
        (a_floor(0.1, 0.1, 0.1), "all the way down to 10 %, the lowest that was checked"),
        (
            a_floor(0.1, 0.1, 0.15),
            "all the way down to 10 %, the lowest that was checked (95 % interval 10 % to 15 %)",
        ),
        (a_floor(None, 0.6, None), "nowhere up to full scale (at best from 60 % on)"),
        (a_floor(None, None, None), "nowhere up to full scale"),
    ],
)
def test_where_trust_begins(floor: object, words: str) -> None:
    assert where_in_words(floor) == words  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("floor", "words"),
    [
        (a_floor(0.25, 0.18, 0.3), ", which agrees with the mark of 20 %."),
        (a_floor(0.25, 0.22, 0.3), "; the mark of 20 % is too low for them."),
        (a_floor(None, None, None), "; the mark of 20 % is too low for them."),
        (a_floor(0.12, 0.1, 0.15), "; the mark of 20 % asks more than they need."),
    ],
)
def test_the_mark_of_the_trade_stands_beside_it(floor: object, words: str) -> None:
    said = trust_in_words(a_mechanism(floor_by_risk=floor), RULES)
    assert said.startswith("Clockwise, spring wrenches as found keep to the 2 % of pulls")
    assert said.endswith(words)


def test_a_mark_below_which_nothing_was_checked_was_not_put_to_the_test() -> None:
    from analysis.trust_floor import TrustFloor

    said = trust_in_words(a_mechanism(floor_by_risk=TrustFloor(0.2, 0.2, 0.2, 0.2)), RULES)
    assert "nothing was checked below the mark of 20 %, so it was not put to the test" in said


def test_trust_that_cannot_be_told_says_what_would_do() -> None:
    assert trust_in_words(a_mechanism(), RULES) == (
        "Clockwise, spring wrenches: where trust begins cannot be said: it rests on 1 wrench; 5 "
        "such wrenches would do for a first answer."
    )


def test_steps_explain_what_they_are_large_enough_for() -> None:
    assert "they do not explain it" in steps_in_words(a_scatter())
    assert "cannot be told apart" in steps_in_words(a_scatter(rounding=0.15))
    assert "is not known" in steps_in_words(a_scatter(rounding=0.0))
    hidden = a_scatter((0.0, 0.0, 0.02), rounding=0.4, coarse=True)
    assert "they hide the scatter at the bottom" in explained_in_words(a_mechanism(scatter=hidden))


def test_a_scale_explains_what_the_readings_leave_open() -> None:
    apart = ScaleShare(0.2, estimate(0.21, 0.01, 0.41), estimate(0.14, 0.055, 0.19), True, 9)
    assert scale_in_words(apart) == (
        "The wrench's own divisions would add 0.2 % if each pull were set anew; the readings show "
        "21 % of its square, at most 41 %: 0.055 % or more is left in any case."
    )
    alike = ScaleShare(0.2, None, estimate(0.0, 0.0, 0.19), False, 9)
    assert "all divisions are as fine, so the readings cannot tell" in scale_in_words(alike)
    assert scale_in_words(alike).endswith("they could explain all of it.")
    assert "none is stated" in scale_in_words(None)


def test_hands_are_named_and_bound_by_the_steadiest() -> None:
    steady = Hand("bench 1", a_scatter())
    other = Hand("bench 2", a_scatter((0.17, 0.13, 0.2)))
    both = a_mechanism(hands=Hands((steady, other), 0, True))
    assert hands_in_words(both) == (
        "The hand: bench 1 0.16 % (0.14 % to 0.19 %), bench 2 0.17 % (0.13 % to 0.2 %); even with "
        "bench 1, the steadiest, it is there, so no single unsteady hand explains it; what all "
        "hands share cannot be told from the wrench."
    )
    maybe = Hand("bench 1", a_scatter((0.1, 0.0, 0.15)))
    assert "the hand may explain it" in hands_in_words(
        a_mechanism(hands=Hands((maybe, other), 0, True))
    )
    assert "fewer than two people" in hands_in_words(a_mechanism())
    many = Hands(
        (steady, other, Hand("bench 3", a_scatter()), Hand("bench 4", a_scatter())), 0, True
    )
    assert "bench 3" not in hands_in_words(a_mechanism(hands=many))
    assert "bench 4" in hands_in_words(a_mechanism(hands=many))


def test_where_nothing_is_constant_in_torque_nothing_has_to_be_explained() -> None:
    said = explained_in_words(a_mechanism(scatter=a_scatter((0.0, 0.0, 0.02))))
    assert said.endswith("so there is nothing to explain.")
    assert explained_in_words(a_mechanism()).endswith("cannot be told: it rests on 1 wrench.")


def test_what_the_error_is_made_of_goes_by_size_and_says_what_is_common() -> None:
    mechanism = a_mechanism(
        parts_at_low_mark=(
            a_part("level", "shared", 0.4),
            a_part("drift", "offset", 0.3),
            a_part("scatter", "offset", 0.15),
            a_part("level", "gain", 0.1),
            a_part("check", "gain", 0.05),
        )
    )
    assert made_of_in_words(mechanism, a_study()) == (
        "Clockwise, of the mean square error of a spring wrench at 20 % of full scale about 50 % is"
        " where the wrenches stood to begin with, 30 % is drift in a year of service, 15 % is "
        "scatter from pull to pull and 5 % is hand and fixture of a check; 40 % in all is common to"
        " all these wrenches, the rest differs between them. In the low band they deliver on "
        "average 1.4 % less than they say (1.1 % to 1.8 %)."
    )
    assert made_of_in_words(a_mechanism(), a_study()) == ""


def test_a_bias_that_may_be_none_is_not_told_and_one_the_other_way_is_more() -> None:
    parts = (a_part("level", "gain", 1.0),)

    def with_bias(*bias: float) -> str:
        low = a_band(Band.LOW, bias_pct=estimate(*bias))
        return made_of_in_words(a_mechanism(parts_at_low_mark=parts, bands=(low,)), a_study())

    assert "deliver on average" not in with_bias(0.3, -0.1, 0.7)
    assert "0.5 % more than they say (0.3 % to 0.7 %)" in with_bias(-0.5, -0.7, -0.3)


def test_the_verdict_names_kinds_and_directions_only_where_they_differ() -> None:
    ccw = Direction.COUNTER_CLOCKWISE
    electronic = {"mechanism": Mechanism.ELECTRONIC}
    study = a_study(
        claims=(
            a_claim(),
            a_claim(direction=ccw),
            an_open_claim(None, **electronic),
            a_claim(verdict=Verdict.NOT_CONFIRMED, direction=ccw, **electronic),
        )
    )
    assert verdict_in_words(study) == (
        "That the bottom of the range is less reliable is confirmed for spring wrenches; not "
        "confirmed for electronic wrenches counter-clockwise; open, with too little data, for "
        "electronic wrenches clockwise."
    )


def test_a_shop_without_checks_hears_that_and_what_would_do() -> None:
    told = finding(a_study())
    assert told.measured == (
        "The shop has no check of its own yet: cards come from other benches and do not count here."
    )
    assert told.found.startswith("So nothing can be said yet. 5 wrenches of a kind")
    assert told.verdict == "Nothing was measured, so nothing is confirmed or refuted."
    assert told.made_of == told.trust == told.explained == told.follows == ""
    assert "  " not in told.in_words


def test_too_little_is_said_with_the_grammar_of_one() -> None:
    told = finding(a_study(a_mechanism(), claims=(an_unanswered_claim(),)))
    assert "1 spring wrench in 1 check: 15 readings in all" in told.measured
    assert told.found == (
        f"Spring wrenches, clockwise: open, with too little data: {FEW.because}; {FEW.needed}."
    )
    assert told.follows == (
        "Until it is settled, 20 % stays a careful habit: these checks neither bear it out nor "
        "speak against it."
    )


@pytest.mark.parametrize(
    ("claims", "words"),
    [
        ((a_claim(),), "a smaller wrench that has the torque higher in its range serves better"),
        (
            (a_claim(), a_claim(subject=Subject.ELECTRONIC_IS_BETTER)),
            "an electronic wrench, or a smaller spring wrench",
        ),
        (
            (a_claim(verdict=Verdict.NOT_CONFIRMED),),
            "no cause to keep spring wrenches out of the bottom",
        ),
        (
            (a_claim(verdict=Verdict.NOT_CONFIRMED, mechanism=Mechanism.ELECTRONIC),),
            "no cause to prefer the upper part with electronic wrenches",
        ),
        (
            (a_claim(mechanism=Mechanism.ELECTRONIC),),
            "With electronic wrenches too, the upper part is the better one.",
        ),
    ],
)
def test_what_follows_depends_on_the_verdicts(claims: tuple[object, ...], words: str) -> None:
    study = a_study(a_mechanism(), claims=claims)  # type: ignore[arg-type]
    assert words in finding(study).follows


def test_what_does_not_follow_names_what_was_not_checked() -> None:
    told = finding(a_study(a_mechanism(), claims=(an_unanswered_claim(),)))
    assert "below 20 % of full scale, where nothing was checked" in told.does_not_follow
    assert "no experiment" in told.does_not_follow
