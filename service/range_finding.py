"""The range study as a finding in plain words, each part a few sentences.

What was asked, what was measured, what came out, what the error at the bottom is made of, where
trust begins, what else could explain it and whether the data can tell, what follows and what not.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from analysis.numerals import counted, percent
from analysis.range_claim import Claim, Subject, Verdict
from analysis.range_error import FEWEST_WRENCHES, BandRatio
from analysis.range_law import ErrorPart
from analysis.range_scatter import RangeScatter
from analysis.range_study import MechanismStudy, RangeStudy
from analysis.vocabulary import Band, Mechanism
from service.range_causes import explained_in_words
from service.range_floors import trust_in_words
from service.range_wording import (
    interval_in_words,
    ratio_in_words,
    settling_in_words,
    way,
)

_NAMES: Final = {
    "scatter": "scatter from pull to pull",
    "check": "hand and fixture of a check",
    "level": "where the wrenches stood to begin with",
    "drift": "drift in a year of service",
}
_TERMS: Final = {
    "gain": "the same everywhere in % of reading",
    "offset": "constant in torque, so growing towards the bottom",
    "shared": "what all the wrenches have in common",
}
TRADE_NAMES: Final = (Mechanism.SPRING, Mechanism.ELECTRONIC)  # by the rule of the trade
VERDICTS: Final = {
    Verdict.CONFIRMED: "confirmed",
    Verdict.NOT_CONFIRMED: "not confirmed",
    Verdict.TOO_LITTLE_DATA: "open, with too little data,",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """The study in plain words."""

    asked: str
    verdict: str
    measured: str
    found: str
    made_of: str
    trust: str
    explained: str
    follows: str
    does_not_follow: str

    @property
    def in_words(self) -> str:
        """The question and the answer in one paragraph; the other parts are its grounds.

        Where nothing can be said of trust, what would settle the question stands in its place.
        """
        answer = self.trust or self.found
        parts = (self.asked, self.measured, self.verdict, answer, self.follows)
        return " ".join(part for part in parts if part)


def part_in_words(part: ErrorPart) -> str:
    """E.g. "scatter from pull to pull: constant in torque, so growing towards the bottom"."""
    return f"{_NAMES[part.name]}: {_TERMS[part.term]}"


def finding(study: RangeStudy) -> Finding:
    """The finding of a shop; a shop without a check of its own says so."""
    mark = percent(100 * study.rules.low_mark)
    asked = (
        f"The trade says: stay above {mark} of full scale with a spring (click) wrench; an "
        "electronic one is better down there, yet prefer the upper part of its range too. The "
        "question was whether this shop's own checks bear that out."
    )
    spring = [each for each in study.mechanisms if each.mechanism is Mechanism.SPRING]
    return Finding(
        asked=asked,
        verdict=verdict_in_words(study),
        measured=_measured(study),
        found=_found(study),
        made_of=_joined(made_of_in_words(each, study) for each in spring),
        trust=_joined(trust_in_words(each, study.rules) for each in spring),
        explained=_joined(explained_in_words(each) for each in spring),
        follows=_follows(study),
        does_not_follow=_does_not_follow(study),
    )


def verdict_in_words(study: RangeStudy) -> str:
    """The verdicts on the trade's rule in one sentence, by kind of wrench."""
    told: dict[Verdict, list[str]] = {verdict: [] for verdict in Verdict}
    for mechanism in Mechanism:
        ways: dict[Verdict, list[str]] = {}
        for claim in study.claims:
            if claim.mechanism is mechanism and claim.subject is Subject.BOTTOM_IS_LESS_RELIABLE:
                ways.setdefault(claim.verdict, []).append(way(claim.direction))
        for verdict, directions in ways.items():
            both = "" if len(ways) == 1 else f" {_listed(directions)}"
            told[verdict].append(f"{mechanism.value} wrenches{both}")
    clauses = [
        f"{VERDICTS[verdict]} for {_listed(kinds)}" for verdict, kinds in told.items() if kinds
    ]
    if not clauses:
        return "Nothing was measured, so nothing is confirmed or refuted."
    return f"That the bottom of the range is less reliable is {'; '.join(clauses)}."


def _measured(study: RangeStudy) -> str:
    if not study.mechanisms:
        return (
            "The shop has no check of its own yet: cards come from other benches and do not count "
            "here."
        )
    told = []
    for direction in dict.fromkeys(each.direction for each in study.mechanisms):
        kinds = _listed(
            f"{counted(each.wrenches, f'{each.mechanism.value} wrench')} in "
            f"{counted(each.checks, 'check')}"
            for each in study.mechanisms
            if each.direction is direction
        )
        told.append(f"{way(direction)}, {kinds}")
    readings = sum(each.readings for each in study.mechanisms)
    return (
        f"Measured were, {'; '.join(told)}: {counted(readings, 'reading')} in all. Only checks "
        "that the shop made itself count; of errors, only what was found before any adjustment."
    )


def _found(study: RangeStudy) -> str:
    if not study.mechanisms:
        return (
            f"So nothing can be said yet. {counted(FEWEST_WRENCHES, 'wrench').capitalize()} of a "
            "kind, each checked at the bottom and at the top of its range with two readings or "
            "more at each target, would do for a first answer."
        )
    told = []
    others_open: list[str] = []
    for claim in study.claims:
        if claim.subject is Subject.BOTTOM_IS_LESS_RELIABLE:
            mechanism = study.of(claim.mechanism, claim.direction)
            if claim.mechanism not in TRADE_NAMES and claim.verdict is Verdict.TOO_LITTLE_DATA:
                others_open.append(f"{claim.mechanism.value} wrenches {way(claim.direction)}")
            elif mechanism is not None:
                told.append(_claim_beside_its_errors(claim, mechanism, study))
        elif claim.subject is Subject.ELECTRONIC_IS_BETTER:
            told.append(_contrast(claim))
    if others_open:
        told.append(
            f"Too little data for {_listed(others_open)}; the claims say what would settle them."
        )
    return " ".join(told)


def _claim_beside_its_errors(claim: Claim, mechanism: MechanismStudy, study: RangeStudy) -> str:
    who = f"{claim.mechanism.value.capitalize()} wrenches, {way(claim.direction)}"
    verdict = VERDICTS[claim.verdict].rstrip(",")
    if claim.ratio is None or not isinstance(mechanism.ratio, BandRatio):
        why = claim.unanswered
        because = f": {why.because}; {why.needed}" if why else ""
        return f"{who}: {verdict}{because}."
    low, upper = (_band_error(mechanism, band) for band in (Band.LOW, Band.UPPER))
    bands = study.rules.bands
    return (
        f"{who}: the typical error below {percent(100 * bands.low_below)} of full scale{low} is "
        f"{ratio_in_words(claim.ratio.value)} times that above {percent(100 * bands.upper_above)}"
        f"{upper}, by {counted(mechanism.ratio.wrenches, 'wrench')} "
        f"({interval_in_words(claim.ratio)}): {verdict}.{_open_until(claim)}"
    )


def _open_until(claim: Claim) -> str:
    open_yet = claim.verdict is Verdict.TOO_LITTLE_DATA
    return f" {settling_in_words(claim)}" if open_yet else ""


def _band_error(mechanism: MechanismStudy, wanted: Band) -> str:
    error = next(band.error_pct for band in mechanism.bands if band.band is wanted)
    return "" if error is None else f" ({percent(error.value)} of reading)"


def _contrast(claim: Claim) -> str:
    where = f"At the bottom, {way(claim.direction)},"
    verdict = VERDICTS[claim.verdict].rstrip(",")
    if claim.ratio is None:
        return f"{where} spring wrenches beside electronic ones: {verdict}."
    return (
        f"{where} spring wrenches are {ratio_in_words(claim.ratio.value)} times as far off as "
        f"electronic ones ({interval_in_words(claim.ratio)}): {verdict}."
    )


def made_of_in_words(mechanism: MechanismStudy, study: RangeStudy) -> str:
    """What the error at the trade's mark is made of; empty where it could not be taken apart."""
    parts = mechanism.parts_at_low_mark
    if not parts:
        return ""
    by_name: dict[str, float] = {}
    for part in parts:
        by_name[part.name] = by_name.get(part.name, 0.0) + part.share.value
    largest = sorted(by_name.items(), key=lambda each: -each[1])
    shares = _listed(f"{_share(share)} is {_NAMES[name]}" for name, share in largest)
    shared = sum(part.share.value for part in parts if part.term == "shared")
    common = (
        f"; {_share(shared)} in all is common to all these wrenches, the rest differs between them"
        if shared > 0
        else ""
    )
    return (
        f"{way(mechanism.direction).capitalize()}, of the mean square error of a "
        f"{mechanism.mechanism.value} wrench at {percent(100 * study.rules.low_mark)} of full scale"
        f" about {shares}{common}.{_one_sided(mechanism)}{_scatter(mechanism)}"
    )


def _share(share: float) -> str:
    return f"{round(100 * share)} %"


def _one_sided(mechanism: MechanismStudy) -> str:
    low = next(band for band in mechanism.bands if band.band is Band.LOW)
    bias = low.bias_pct
    if bias is None or bias.lower <= 0 <= bias.upper:
        return ""
    side = "less" if bias.value > 0 else "more"
    ends = sorted((abs(bias.lower), abs(bias.upper)))
    return (
        f" In the low band they deliver on average {percent(abs(bias.value))} {side} than they say "
        f"({percent(ends[0])} to {percent(ends[1])})."
    )


def _scatter(mechanism: MechanismStudy) -> str:
    ratio = mechanism.scatter_ratio
    if ratio is None or not isinstance(mechanism.scatter, RangeScatter):
        return ""
    p_value = mechanism.scatter.no_constant_part.p_value
    sure = "p below 0.001" if p_value < 0.001 else f"p {p_value:.2g}"
    return (
        f" Within a check, readings there scatter {ratio_in_words(ratio.value)} times as much as at"
        f" full scale ({interval_in_words(ratio)}; test that no scatter is constant in torque: "
        f"{sure})."
    )


def _follows(study: RangeStudy) -> str:
    mark = percent(100 * study.rules.low_mark)
    told = []
    spring = _verdicts(study, Mechanism.SPRING, Subject.BOTTOM_IS_LESS_RELIABLE)
    electronic = _verdicts(study, Mechanism.ELECTRONIC, Subject.BOTTOM_IS_LESS_RELIABLE)
    better = _verdicts(study, Mechanism.SPRING, Subject.ELECTRONIC_IS_BETTER)
    if Verdict.CONFIRMED in spring:
        instead = (
            "an electronic wrench, or a smaller spring wrench that has the torque higher in its "
            "range,"
            if Verdict.CONFIRMED in better
            else "a smaller wrench that has the torque higher in its range"
        )
        told.append(
            f"For torques in the bottom of a spring wrench's range, {instead} serves better where "
            "the shop has one."
        )
    elif spring and spring == {Verdict.NOT_CONFIRMED}:
        told.append("These checks give no cause to keep spring wrenches out of the bottom.")
    elif spring:
        told.append(
            f"Until it is settled, {mark} stays a careful habit: these checks neither bear it out "
            "nor speak against it."
        )
    if electronic and electronic == {Verdict.NOT_CONFIRMED}:
        told.append("They give no cause to prefer the upper part with electronic wrenches.")
    elif Verdict.CONFIRMED in electronic:
        told.append("With electronic wrenches too, the upper part is the better one.")
    elif electronic:
        told.append(
            "Whether to prefer the upper part with electronic wrenches too is not settled in every "
            "direction."
        )
    return " ".join(told)


def _verdicts(study: RangeStudy, mechanism: Mechanism, subject: Subject) -> set[Verdict]:
    return {
        claim.verdict
        for claim in study.claims
        if claim.mechanism is mechanism and claim.subject is subject
    }


def _does_not_follow(study: RangeStudy) -> str:
    places = [place.x for each in study.mechanisms for place in each.places]
    below = (
        f"what happens below {percent(100 * min(places))} of full scale, where nothing was checked;"
        " of "
        if places
        else ""
    )
    return (
        f"Nothing is said of {below}any one wrench, for which its own trusted window stands; or of "
        "wrenches elsewhere. These are records of routine work and no experiment: what always went"
        " together, such as the order of targets in a check, cannot be told apart."
    )


def _listed(items: Iterable[str]) -> str:
    """E.g. "a, b and c"."""
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last


def _joined(sentences: Iterable[str]) -> str:
    return " ".join(sentence for sentence in sentences if sentence)
