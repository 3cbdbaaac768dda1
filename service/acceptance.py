"""May a wrench be taken into use: the rules, one direction at a time.

Two things can speak for a wrench: the card that came with it, and checks of the shop's own. Both
count since the last check as left, which begins anew what a wrench is. The rules stand here and not
in `analysis`, because they weigh papers (who says so, about which wrench, when) and rest on no
estimate; where measurements enter, `analysis` counts and compares them.

    accepted                        the shop's own checks together meet every criterion that applies
                                    to them, or a card meets all of its own
    accepted_until_first_own_check  own checks or a card speak for it, with gaps that are named
    not_accepted                    nothing speaks for it: no check, one that found it out, a card
                                    of another wrench or too old

Own checks count together, since no single visit has to be a calibration; what they measured need
only cover what ISO 6789-1 has measured. A card stands alone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from analysis.numerals import percent
from analysis.prescribed_points import READINGS, prescribed_places
from analysis.vocabulary import CheckKind, Direction
from service.acceptance_criteria import (
    Criterion,
    Evidence,
    Judged,
    Outcome,
    of_card,
    of_own_checks,
)
from service.frames import date_of_day
from service.proofs import Proof
from service.records import Policy, Wrench


class AcceptanceVerdict(StrEnum):
    ACCEPTED = "accepted"
    UNTIL_FIRST_OWN_CHECK = "accepted_until_first_own_check"
    NOT_ACCEPTED = "not_accepted"


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The judgment on one direction.

    found_out  the verdict is that of a check that found the wrench out of tolerance
    because    the reason in words, without a full stop
    needed     what would do; None: nothing is wanting
    """

    direction: Direction
    verdict: AcceptanceVerdict
    found_out: bool
    because: str
    needed: str | None
    own_checks: Evidence | None
    card: Evidence | None


def judge_acceptance(
    wrench: Wrench, direction: Direction, proofs: Sequence[Proof], policy: Policy, day: float
) -> Acceptance:
    """Whether the wrench may be taken into use in a direction in which it states a tolerance.

    proofs   of this wrench and direction, in the order in which checks count
    day      UTC days since 1970-01-01, on which the age of a card is counted
    """
    since = [place for place, proof in enumerate(proofs) if proof.kind is CheckKind.AS_LEFT]
    counting = proofs[since[-1] :] if since else proofs
    own = [proof for proof in counting if proof.paper.card is None]
    own_checks = of_own_checks(wrench, direction, own) if own else None
    card = None
    for proof in counting:
        if proof.paper.card is not None:
            card = of_card(wrench, direction, proof, proof.paper.card, policy, day)

    def answer(
        verdict: AcceptanceVerdict,
        because: str,
        needed: str | None = None,
        *,
        found_out: bool = False,
    ) -> Acceptance:
        return Acceptance(direction, verdict, found_out, because, needed, own_checks, card)

    words = direction.value.replace("_", "-")
    first_check = f"one {words} check on a tester of the shop, at {_targets(wrench)}, would do"
    if not all(proof.passed for proof in counting):
        return answer(
            AcceptanceVerdict.NOT_ACCEPTED,
            "a check found it out of tolerance, and it has not passed a check as left since",
            "adjust it, and record a check as left in which every reading is within its tolerance",
            found_out=True,
        )
    if own_checks and own_checks.is_complete:
        return answer(
            AcceptanceVerdict.ACCEPTED, f"on {_named(own_checks, policy)}{_warning(card)}"
        )
    if card and card.is_complete:
        return answer(AcceptanceVerdict.ACCEPTED, f"on {_named(card, policy)}")
    for evidence in (own_checks, card):
        if evidence and evidence.stands:
            warning = _warning(card) if evidence is own_checks else ""
            return answer(
                AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK,
                f"on {_named(evidence, policy)}, but {evidence.gaps}{warning}",
                first_check,
            )
    if card:
        return answer(AcceptanceVerdict.NOT_ACCEPTED, card.forbidden, first_check)
    return answer(
        AcceptanceVerdict.NOT_ACCEPTED,
        f"there is neither a card nor a check for {words} use",
        f"its calibration card, or {first_check}",
    )


def _targets(wrench: Wrench) -> str:
    lowest_x = wrench.lowest.nm / wrench.full_scale.nm
    shares = [percent(100 * places[0], 3) for places in prescribed_places(lowest_x, None)]
    return f"{', '.join(shares)} of full scale with {READINGS} readings each"


def _named(evidence: Evidence, policy: Policy) -> str:
    day = date_of_day(evidence.last_day, policy.time_zone)
    if evidence.card is not None:
        return f"the card {evidence.card.certificate} of {evidence.card.issued_on}"
    count = len(evidence.checks)
    if count == 1:
        return f"the shop's own check of {day}"
    return f"{count} of the shop's own checks, the last of {day}"


def _warning(card: Evidence | None) -> str:
    """A card of another wrench is wrong evidence, whatever else there is."""
    if card is None:
        return ""
    wrong: Iterable[Judged] = (
        each
        for each in card.judged
        if each.criterion is Criterion.SERIAL and each.outcome is Outcome.FORBIDS
    )
    return "".join(f"; but {each.words}" for each in wrong)
