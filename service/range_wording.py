"""Sentences about the bottom of the range: claims, the rule, trusted windows."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from analysis.numerals import chance, counted, number, percent
from analysis.range_claim import MATTERS, POWER, Claim, Subject, Verdict
from analysis.vocabulary import Direction, Mechanism
from service.records import Policy, Wrench
from service.wording import torque_in_words

if TYPE_CHECKING:
    from analysis.clustered import Estimate
    from analysis.trust_floor import TrustedWindow

# What finds the rates below anew, and prints them with their context.
RATES_COMMAND: Final = "python tests/simulation/range_rates.py"
_MORE_DIGITS: Final = (3, 4, 5, 6)


@dataclass(frozen=True, slots=True)
class ErrorRate:
    """How often the rule called simulated fleets confirmed.

    fleets     what is true of them
    confirmed  share of fleets
    of         how many
    """

    fleets: str
    confirmed: float
    of: int


# As in the table of DEVELOPERS.md; a test compares them.
PUBLISHED_RATES: Final = (
    ErrorRate("nothing is worse at the bottom; 6 to 40 wrenches", 0.000, 16_000),
    ErrorRate("friction of 0.3 % of full scale, nothing else; 12 wrenches", 0.529, 2_000),
    ErrorRate("friction of 0.3 % of full scale, nothing else; 40 wrenches", 0.975, 2_000),
)

_WORSE: Final = {
    Subject.BOTTOM_IS_LESS_RELIABLE: "are less reliable at the bottom of their range",
    Subject.BOTTOM_SCATTERS_MORE: "scatter more at the bottom of their range",
}
_COMPARED: Final = {
    Subject.BOTTOM_IS_LESS_RELIABLE: "as found, the typical error in the low band is {ratio} times "
    "that in the upper band",
    Subject.BOTTOM_SCATTERS_MORE: "within a check, readings at the bottom scatter {ratio} times as "
    "much as at full scale",
    Subject.ELECTRONIC_IS_BETTER: "as found, the typical error of spring wrenches in the low band "
    "is {ratio} times that of electronic ones",
}


def way(direction: Direction) -> str:
    """E.g. "counter-clockwise"."""
    return direction.value.replace("_", "-")


def ratio_in_words(value: float) -> str:
    """A ratio to three digits, with more where three would hide on which side of 1.25 it is."""
    texts = [number(value, digits) for digits in _MORE_DIGITS]
    return next((text for text in texts if float(text.replace(",", "")) != MATTERS), texts[0])


def interval_in_words(estimate: "Estimate") -> str:
    """E.g. "95 % interval 2.21 to 3.02"."""
    return f"95 % interval {ratio_in_words(estimate.lower)} to {ratio_in_words(estimate.upper)}"


def rule_in_words() -> str:
    """The rule of `analysis.range_claim`, as the answer states it."""
    return (
        f"A claim is about a ratio; less than {MATTERS} times is taken not to matter at a bench. "
        f"It is confirmed where the whole 95 % interval of the ratio lies above {MATTERS}, not "
        "confirmed where the whole of it lies below, and open where the interval holds it. The "
        "rule was laid down before any data; the doubt is that between wrenches, not between "
        "readings."
    )


def rate_in_words(rate: ErrorRate) -> str:
    """E.g. "97.5 % of 2,000 simulated fleets confirmed where ..."."""
    share = "none" if rate.confirmed == 0 else f"{100 * rate.confirmed:.1f} %"
    return f"{share} of {rate.of:,} simulated fleets confirmed, where {rate.fleets}"


def claim_in_words(claim: Claim) -> str:
    """What became of a claim, by which number, and what would settle it where it is open."""
    about = _about(claim)
    if claim.ratio is None:
        why = claim.unanswered
        because = f": {why.because}; {why.needed}" if why else ""
        return f"Whether {about} stays open{because}."
    compared = _COMPARED[claim.subject].format(ratio=ratio_in_words(claim.ratio.value))
    interval = interval_in_words(claim.ratio)
    if claim.verdict is Verdict.CONFIRMED:
        return (
            f"That {about} is confirmed: {compared} ({interval}, the whole of it above {MATTERS})."
        )
    if claim.verdict is Verdict.NOT_CONFIRMED:
        return (
            f"That {about} is not confirmed: {compared} ({interval}, the whole of it below "
            f"{MATTERS}), so a difference, if there is one, is too small to matter."
        )
    return (
        f"Whether {about} stays open: {compared} ({interval}, with {MATTERS} inside). "
        f"{settling_in_words(claim)}"
    )


def _about(claim: Claim) -> str:
    if claim.subject is Subject.ELECTRONIC_IS_BETTER:
        who = f"{Mechanism.ELECTRONIC.value} wrenches are better than {claim.mechanism.value} ones"
        return f"{who} at the bottom of their range, {way(claim.direction)},"
    return f"{claim.mechanism.value} wrenches {_WORSE[claim.subject]}, {way(claim.direction)},"


def settling_in_words(claim: Claim) -> str:
    """What would settle an open claim that has a ratio."""
    settling = claim.settling
    if settling is None:
        return (
            "More wrenches, checked at the bottom and at the top of their range, would narrow it."
        )
    ways = []
    if settling.wrenches_more is not None:
        ways.append(f"{counted(settling.wrenches_more, 'more wrench')}, checked as often as these")
    if settling.checks_more is not None:
        ways.append(f"{counted(settling.checks_more, 'more check')} of the same wrenches")
    if not ways:
        kinds = (
            "wrenches" if claim.subject is Subject.BOTTOM_SCATTERS_MORE else "wrenches or checks"
        )
        return f"The ratio is so near {MATTERS} that no foreseeable number of {kinds} settles it."
    return (
        f"{', or '.join(ways).capitalize()}, would settle it with a chance of {chance(POWER)}, if "
        "the ratio is what it seems to be."
    )


def window_in_words(window: "TrustedWindow", wrench: Wrench, policy: Policy, day: date) -> str:
    """Where a wrench may be trusted on a day, how sure its lower end is, and what it rests on."""
    full = wrench.full_scale
    who = f"{window.wrench} {way(window.direction)}"
    rests = f"it rests on {counted(window.checks, 'check')} of its own, and on its family"
    tolerated = chance(policy.tolerated_pull_risk)
    if window.lowest is None or window.highest is None:
        return (
            f"{who}: nowhere in its marked range is the chance of a pull outside its limit within "
            f"the {tolerated} that the shop tolerates; {rests}."
        )
    lowest, highest = full.times(window.lowest), full.times(window.highest)
    return (
        f"{who}: on {day} the chance of a pull outside its limit is within the {tolerated} that the"
        f" shop tolerates from {torque_in_words(lowest)} to {torque_in_words(highest)} "
        f"({percent(100 * window.lowest)} to {percent(100 * window.highest, 3)} of full scale)"
        f"{_doubt(window, wrench)}; {rests}."
    )


def _doubt(window: "TrustedWindow", wrench: Wrench) -> str:
    if window.floor_lower is None:
        return ""
    lower = torque_in_words(wrench.full_scale.times(window.floor_lower))
    if window.floor_upper is None:
        return f"; the lower end may be as low as {lower}, or nowhere"
    if window.floor_lower == window.floor_upper == window.lowest:
        return ""
    upper = torque_in_words(wrench.full_scale.times(window.floor_upper))
    return f"; its lower end may lie anywhere from {lower} to {upper}"
