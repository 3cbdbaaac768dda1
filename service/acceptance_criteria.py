"""What a source of evidence says for a wrench, criterion by criterion: see `service.acceptance`.

The papers' criteria are asked of a card alone; what was measured is asked of cards and of the
shop's own checks alike.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from analysis.numerals import percent
from analysis.prescribed_points import (
    READINGS,
    READINGS_NEW_NOT_GRADUATED,
    SAME_PLACE,
    prescribed_places,
    shortfalls,
)
from analysis.vocabulary import Direction, Edition
from service.frames import date_of_day
from service.proofs import Proof
from service.records import (
    Card,
    Indication,
    MaximumPermissibleDeviation,
    Policy,
    ToleranceBasis,
    Wrench,
)

# U of the reference at k = 2, % of reading, in the edition of 2003 (an article on it); and U as a
# share of the wrench's tolerance in that of 2017 (from memory).
_U_OF_2003_PCT: Final = 1.0
_U_TO_MPD_OF_2017: Final = 0.25
_USUAL_COVERAGE_FACTOR: Final = 2.0  # where U comes without k; common practice, no source


class Criterion(StrEnum):
    """What is asked of the evidence; the papers' criteria are asked of a card alone."""

    ISSUER_AND_DATE = "issuer_and_date"
    SERIAL = "serial"
    MODEL = "model"
    AGE = "age"
    READINGS_WITHIN = "readings_within"
    POINTS = "points"
    READING_COUNT = "reading_count"
    TOLERANCE = "tolerance"
    UNCERTAINTY = "uncertainty"


class Outcome(StrEnum):
    """A gap leaves the evidence standing; what forbids takes it away."""

    MET = "met"
    GAP = "gap"
    FORBIDS = "forbids"


@dataclass(frozen=True, slots=True)
class Judged:
    """One criterion, with the reason in words.

    unstated   what the card is silent about, when that is the reason
    """

    criterion: Criterion
    outcome: Outcome
    words: str
    unstated: str | None = None

    @classmethod
    def silent(cls, criterion: Criterion, unstated: str) -> "Judged":
        return cls(criterion, Outcome.GAP, f"the card does not state {unstated}", unstated)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one source says: a card (one check), or the shop's own checks together."""

    checks: tuple[str, ...]
    last_day: float
    card: Card | None
    judged: tuple[Judged, ...]

    @property
    def stands(self) -> bool:
        return not self.forbidden

    @property
    def forbidden(self) -> str:
        return "; ".join(each.words for each in self.judged if each.outcome is Outcome.FORBIDS)

    @property
    def gaps(self) -> str:
        """The gaps in words, all that a card is silent about in one."""
        gaps = [each for each in self.judged if each.outcome is Outcome.GAP]
        spoken = [each.words for each in gaps if each.unstated is None]
        if silent := [each.unstated for each in gaps if each.unstated is not None]:
            *first, last = silent
            both = f"{', '.join(first)} or {last}" if first else last
            spoken.append(f"the card does not state {both}")
        return "; ".join(spoken)

    @property
    def is_complete(self) -> bool:
        return all(each.outcome is Outcome.MET for each in self.judged)


def of_own_checks(wrench: Wrench, direction: Direction, own: Sequence[Proof]) -> Evidence:
    return Evidence(
        checks=tuple(proof.check for proof in own),
        last_day=own[-1].day,
        card=None,
        judged=tuple(_measured(wrench, direction, own, None)),
    )


def of_card(
    wrench: Wrench, direction: Direction, proof: Proof, card: Card, policy: Policy, day: float
) -> Evidence:
    return Evidence(
        checks=(proof.check,),
        last_day=proof.day,
        card=card,
        judged=(
            *_papers(wrench, card),
            _age(proof, policy, day),
            *_measured(wrench, direction, (proof,), card.edition),
            _tolerance(wrench, direction, card),
        ),
    )


def _papers(wrench: Wrench, card: Card) -> Iterator[Judged]:
    # Intake takes no card without them.
    words = f"issued by {card.issuer} on {card.issued_on}"
    yield Judged(Criterion.ISSUER_AND_DATE, Outcome.MET, words)
    if card.serial is None:
        yield Judged.silent(Criterion.SERIAL, "the wrench's serial")
    elif _same_text(card.serial, wrench.serial):
        yield Judged(Criterion.SERIAL, Outcome.MET, f"the card is that of {card.serial}")
    else:
        words = (
            f"the card is that of {card.serial}, not of {wrench.serial}: void the check that it "
            "was entered as"
        )
        yield Judged(Criterion.SERIAL, Outcome.FORBIDS, words)
    if card.model is None:
        yield Judged.silent(Criterion.MODEL, "its model")
    elif wrench.model is None:
        words = f"the card is for {card.model}, and no model is registered to compare it with"
        yield Judged(Criterion.MODEL, Outcome.GAP, words)
    elif _same_text(card.model, wrench.model):
        yield Judged(Criterion.MODEL, Outcome.MET, f"the card is for {card.model}")
    else:
        # Makers and shops write models in many ways: a person has to look.
        words = f"the card is for {card.model}, while {wrench.model} is registered"
        yield Judged(Criterion.MODEL, Outcome.GAP, words)


def _age(proof: Proof, policy: Policy, day: float) -> Judged:
    from analysis.due import add_months

    until = add_months(proof.day, policy.card_valid_months)
    read = date_of_day(proof.day, policy.time_zone)
    if day >= until + 1:
        words = (
            f"the card's readings of {read} are older than the {policy.card_valid_months} months "
            "for which a card counts in this shop"
        )
        return Judged(Criterion.AGE, Outcome.FORBIDS, words)
    last = date_of_day(until, policy.time_zone)
    return Judged(Criterion.AGE, Outcome.MET, f"readings of {read}, which count until {last}")


def _measured(
    wrench: Wrench,
    direction: Direction,
    proofs: Sequence[Proof],
    edition: Edition | None,
) -> Iterator[Judged]:
    """The criteria about what was measured, of one card or of own checks together."""
    limit = _in_words(_mpd(wrench, direction))
    if all(proof.passed for proof in proofs):
        words = f"every reading is within {limit}"
        yield Judged(Criterion.READINGS_WITHIN, Outcome.MET, words)
    else:
        words = f"a reading is outside {limit}"
        yield Judged(Criterion.READINGS_WITHIN, Outcome.FORBIDS, words)
    of_card = proofs[0].paper.card is not None
    lowest_x = wrench.lowest.nm / wrench.full_scale.nm
    is_new = of_card and wrench.indication is Indication.SETTING_NOT_GRADUATED
    needed = READINGS_NEW_NOT_GRADUATED if is_new else READINGS
    counts = [point for proof in proofs for point in proof.points]
    places = prescribed_places(lowest_x, edition)
    short = shortfalls(counts, lowest_x, edition, needed)
    by_edition = _by_edition(edition, places)
    if absent := [_place(each.places) for each in short if not each.found]:
        nobody = "the card has no readings" if of_card else "no own check has readings"
        words = f"{nobody} at {' or at '.join(absent)}{by_edition}"
        yield Judged(Criterion.POINTS, Outcome.GAP, words)
    else:
        words = f"there are readings at {', '.join(map(_place, places))}{by_edition}"
        lowest_measured = min(point.x for point in counts)
        if lowest_measured > lowest_x + SAME_PLACE:
            words += f"; below {percent(100 * lowest_measured, 3)} nothing was measured"
        yield Judged(Criterion.POINTS, Outcome.MET, words)
    if few := [f"{each.found} at {_place(each.places)}" for each in short if each.found]:
        words = f"there are only {', '.join(few)} where {needed} readings are asked for"
        yield Judged(Criterion.READING_COUNT, Outcome.GAP, words)
    else:
        words = f"no fewer than {needed} readings where it was measured"
        yield Judged(Criterion.READING_COUNT, Outcome.MET, words)
    yield _uncertainty(wrench, direction, proofs, edition)


def _tolerance(wrench: Wrench, direction: Direction, card: Card) -> Judged:
    if card.mpd is None:
        return Judged.silent(Criterion.TOLERANCE, "its tolerance")
    registered = _mpd(wrench, direction)
    # Either is constant or falls with 1/x in % of reading: the ends of the range decide.
    ends = (wrench.lowest.nm / wrench.full_scale.nm, 1.0)
    if all(_of_reading(card.mpd, x) <= _of_reading(registered, x) + 1e-9 for x in ends):
        words = f"the card states {_in_words(card.mpd)}, no wider than {_in_words(registered)}"
        return Judged(Criterion.TOLERANCE, Outcome.MET, words)
    words = (
        f"the card states {_in_words(card.mpd)}, wider than the {_in_words(registered)} that the "
        "wrench is registered with"
    )
    return Judged(Criterion.TOLERANCE, Outcome.GAP, words)


def _uncertainty(
    wrench: Wrench, direction: Direction, proofs: Sequence[Proof], edition: Edition | None
) -> Judged:
    """U at k = 2 against the edition's rule; where the edition is not known, either will do."""
    at_k_2 = [
        None
        if proof.paper.uncertainty_pct is None
        else proof.paper.uncertainty_pct
        * _USUAL_COVERAGE_FACTOR
        / (proof.paper.coverage_factor or _USUAL_COVERAGE_FACTOR)
        for proof in proofs
    ]
    stated = [each for each in at_k_2 if each is not None]
    if len(stated) < len(at_k_2):
        return Judged.silent(Criterion.UNCERTAINTY, "the tester's uncertainty")
    worst = max(stated)
    # In % of reading the tolerance is narrowest at full scale, whatever it is a percentage of.
    share = worst / _mpd(wrench, direction).percent
    kept = {
        Edition.E2003: worst <= _U_OF_2003_PCT + 1e-9,
        Edition.E2017: share <= _U_TO_MPD_OF_2017 + 1e-9,
    }
    asked = {
        Edition.E2003: f"at most {percent(_U_OF_2003_PCT)} of reading (2003)",
        Edition.E2017: "at most a quarter of the tolerance (2017, from memory)",
    }
    editions = [edition] if edition else list(Edition)
    good = [each for each in editions if kept[each]]
    what = f"the tester's uncertainty is {percent(worst, 2)} of reading (k = 2)"
    if good:
        rule = asked[good[-1]]
        return Judged(Criterion.UNCERTAINTY, Outcome.MET, f"{what}, {rule}")
    rules = " or ".join(asked[each] for each in editions)
    return Judged(Criterion.UNCERTAINTY, Outcome.GAP, f"{what}, where ISO 6789 asks for {rules}")


def _mpd(wrench: Wrench, direction: Direction) -> MaximumPermissibleDeviation:
    mpd = wrench.mpd(direction)
    assert mpd is not None  # noqa: S101 - the caller's part of the bargain
    return mpd


def _of_reading(mpd: MaximumPermissibleDeviation, x: float) -> float:
    return mpd.percent / x if mpd.basis is ToleranceBasis.FULL_SCALE else mpd.percent


def _in_words(mpd: MaximumPermissibleDeviation) -> str:
    of = "full scale" if mpd.basis is ToleranceBasis.FULL_SCALE else "reading"
    return f"±{percent(mpd.percent, 3)} of {of}"


def _same_text(one: str, other: str) -> bool:
    """Blanks, hyphens and the case of letters are not what tells two apart (common practice)."""
    kept = ["".join(filter(str.isalnum, text)).casefold() for text in (one, other)]
    return kept[0] == kept[1]


def _place(places: Sequence[float]) -> str:
    return f"{' or '.join(percent(100 * x, 3) for x in places)} of full scale"


def _by_edition(edition: Edition | None, places: Sequence[Sequence[float]]) -> str:
    if edition is not None:
        return f" (ISO 6789:{edition.value})"
    if len(places[0]) > 1:
        return " (which edition of ISO 6789 it follows is not known: either lowest value will do)"
    return ""
