"""What else could make the bottom look worse, and whether these data can tell it apart, in words.

Three suspects beside the wrench itself: the tester's steps, the wrench's own divisions, the hand.
"""

from typing import Final

from analysis.numerals import percent
from analysis.range_claim import Unanswered
from analysis.range_scatter import RangeScatter
from analysis.range_study import MechanismStudy
from analysis.scale_and_hand import Hand, ScaleShare
from service.range_wording import way

_MOST_HANDS: Final = 3


def explained_in_words(mechanism: MechanismStudy) -> str:
    """The three suspects of one mechanism in one direction, each with its number."""
    scatter = mechanism.scatter
    who = f"{way(mechanism.direction).capitalize()}, {mechanism.mechanism.value} wrenches"
    if isinstance(scatter, Unanswered):
        return f"{who}: what else could explain it cannot be told: {scatter.because}."
    alpha = scatter.alpha_pct
    if alpha.value <= 0 and not scatter.steps_too_coarse:
        return f"{who}: no scatter constant in torque was seen, so there is nothing to explain."
    return (
        f"{who}: the scatter that is constant in torque is {percent(alpha.value)} of full scale "
        f"({percent(alpha.lower)} to {percent(alpha.upper)}). {steps_in_words(scatter)} "
        f"{scale_in_words(mechanism.scale)} {hands_in_words(mechanism)}"
    )


def steps_in_words(scatter: RangeScatter) -> str:
    """Whether coarse steps of tester and display could be what is seen."""
    if scatter.rounding_pct <= 0:
        return (
            "The tester's steps: in which steps it writes is not known, so its rounding cannot be "
            "told from the wrench."
        )
    if scatter.steps_too_coarse:
        return (
            f"The tester's steps add {percent(scatter.rounding_pct)}; they are so coarse that they "
            "hide the scatter at the bottom, and a finer tester would have to tell."
        )
    verdict = (
        "they do not explain it"
        if scatter.rounding_pct < scatter.alpha_pct.lower
        else "they are as large as what is seen, so the two cannot be told apart for sure"
    )
    return f"The tester's steps, taken out of it, add {percent(scatter.rounding_pct)}: {verdict}."


def scale_in_words(scale: ScaleShare | None) -> str:
    """Whether the wrenches' own divisions could be what is seen."""
    if scale is None:
        return "The wrench's own divisions: none is stated for a wrench that is set to a mark."
    most = percent(scale.most_pct)
    if scale.kappa is None:
        shown = "all divisions are as fine, so the readings cannot tell"
    else:
        seen, at_most = (
            f"{round(100 * min(max(share, 0.0), 1.0))} %"
            for share in (scale.kappa.value, scale.kappa.upper)
        )
        shown = f"the readings show {seen} of its square, at most {at_most}"
    left = (
        f"{percent(scale.left_pct.lower)} or more is left in any case"
        if scale.told_apart
        else "they could explain all of it"
    )
    return (
        f"The wrench's own divisions would add {most} if each pull were set anew; {shown}: {left}."
    )


def hands_in_words(mechanism: MechanismStudy) -> str:
    """Whether the hand at the bench could be what is seen."""
    hands = mechanism.hands
    if not hands.told_apart:
        return (
            "The hand: fewer than two people are named with checks of five wrenches or more, so it "
            "cannot be told from the wrench."
        )
    # The steadiest two and the least steady bound what the others could say.
    shown = hands.each if len(hands.each) <= _MOST_HANDS else (*hands.each[:2], hands.each[-1])
    told = ", ".join(_hand(hand) for hand in shown)
    steadiest = hands.each[0]
    if steadiest.scatter.alpha_pct.lower > 0:
        verdict = (
            f"even with {steadiest.operator}, the steadiest, it is there, so no single unsteady "
            "hand explains it; what all hands share cannot be told from the wrench"
        )
    else:
        verdict = (
            f"with {steadiest.operator}, the steadiest, it could be nothing, so the hand may "
            "explain it"
        )
    return f"The hand: {told}; {verdict}."


def _hand(hand: Hand) -> str:
    alpha = hand.scatter.alpha_pct
    return (
        f"{hand.operator} {percent(alpha.value)} ({percent(alpha.lower)} to {percent(alpha.upper)})"
    )
