"""What is said of the bottom of the range, by a rule that was written down before any data.

A claim is about a ratio of typical errors and the smallest ratio that would matter at a bench,
MATTERS = 1.25: a quarter more. With the 95 % interval of the ratio,

    confirmed         the whole interval lies above MATTERS
    not confirmed     the whole interval lies below it: if there is a difference, it is too small
    too little data   the interval holds it

so neither a small p-value of a small difference nor the lack of evidence decides anything. Only
fleets whose true ratio exceeds 1.25 can be called confirmed rightly; at exactly 1.25 the rule does
so in one case of forty, at 1 hardly ever. MATTERS is a choice, no source. How often the rule errs
has been found by simulation (`tests/simulation/range_rates.py`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from analysis.clustered import Estimate, positive_estimate, quantile_of_t
from analysis.range_error import FEWEST_WRENCHES, BandRatio
from analysis.vocabulary import Direction, Mechanism

MATTERS: Final = 1.25
POWER: Final = 0.80  # chance of settling it that "how many more" aims at
_MOST_WRENCHES: Final = 300  # beyond, no shop will ever settle it
_MOST_TIMES: Final = 20.0  # nor with so many times the checks


class Verdict(StrEnum):
    """What the data say of a claim."""

    CONFIRMED = "confirmed"
    NOT_CONFIRMED = "not_confirmed"
    TOO_LITTLE_DATA = "too_little_data"


@dataclass(frozen=True, slots=True)
class Settling:
    """What would settle an open claim with a chance of 80 %, if the ratio is what it seems to be.

    wrenches_more  checked as often as the others were; None: the ratio is too near MATTERS
    checks_more    of the same wrenches; None: their number cannot settle it (of scatter: it is not
                   worked out)
    """

    wrenches_more: int | None
    checks_more: int | None


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Why there is no number, and what would do."""

    because: str
    needed: str


class Subject(StrEnum):
    """What the trade claims.

    bottom_is_less_reliable  the typical error, everything included, is larger in the low band
    bottom_scatters_more     readings of one check scatter more there
    electronic_is_better     in the low band spring wrenches are farther off than electronic ones
    """

    BOTTOM_IS_LESS_RELIABLE = "bottom_is_less_reliable"
    BOTTOM_SCATTERS_MORE = "bottom_scatters_more"
    ELECTRONIC_IS_BETTER = "electronic_is_better"


@dataclass(frozen=True, slots=True)
class Claim:
    """One claim of the trade with the verdict on it.

    mechanism   of which it is said; spring where electronic wrenches are said to be better
    ratio       that was judged; None: there is none, see `unanswered`
    settling    what would settle it, where it is open
    unanswered  why there is no ratio
    """

    subject: Subject
    mechanism: Mechanism
    direction: Direction
    verdict: Verdict
    ratio: Estimate | None
    settling: Settling | None
    unanswered: Unanswered | None


@dataclass(frozen=True, slots=True)
class Said:
    """What a mechanism's checks in one direction say, as far as claims rest on it.

    ratio      typical error in the low band over the upper one
    scatter    scatter at the low mark over that at full scale
    low_error  typical error in the low band, None where there is none
    """

    mechanism: Mechanism
    direction: Direction
    ratio: BandRatio | Unanswered
    scatter: Estimate | Unanswered | None
    low_error: Estimate | None


def claims_about(said: Sequence[Said]) -> tuple[Claim, ...]:
    """Every claim that the mechanisms checked give cause for, in their order."""
    claims = [claim for one in said for claim in (_of_error(one), _of_scatter(one))]
    by_place = {(one.mechanism, one.direction): one for one in said}
    for direction in Direction:
        spring = by_place.get((Mechanism.SPRING, direction))
        electronic = by_place.get((Mechanism.ELECTRONIC, direction))
        if spring is not None and electronic is not None:
            claims.append(_of_contrast(spring, electronic))
    return tuple(claims)


def _of_error(said: Said) -> Claim:
    if isinstance(said.ratio, Unanswered):
        return _open(Subject.BOTTOM_IS_LESS_RELIABLE, said, said.ratio)
    verdict = judge(said.ratio.ratio)
    return Claim(
        subject=Subject.BOTTOM_IS_LESS_RELIABLE,
        mechanism=said.mechanism,
        direction=said.direction,
        verdict=verdict,
        ratio=said.ratio.ratio,
        settling=what_would_settle(said.ratio) if verdict is Verdict.TOO_LITTLE_DATA else None,
        unanswered=None,
    )


def _of_scatter(said: Said) -> Claim:
    if not isinstance(said.scatter, Estimate):
        return _open(Subject.BOTTOM_SCATTERS_MORE, said, said.scatter)
    verdict = judge(said.scatter)
    settling = None
    if verdict is Verdict.TOO_LITTLE_DATA:
        wrenches = round(said.scatter.df) + 1
        settling = Settling(_wrenches_more(said.scatter, wrenches), checks_more=None)
    return Claim(
        subject=Subject.BOTTOM_SCATTERS_MORE,
        mechanism=said.mechanism,
        direction=said.direction,
        verdict=verdict,
        ratio=said.scatter,
        settling=settling,
        unanswered=None,
    )


def _of_contrast(spring: Said, electronic: Said) -> Claim:
    over, under = spring.low_error, electronic.low_error
    # Two or three wrenches may look alike by chance, and their interval would be far too short.
    if over is None or under is None or min(over.df, under.df) + 1 < FEWEST_WRENCHES:
        return _open(
            Subject.ELECTRONIC_IS_BETTER,
            spring,
            Unanswered(
                because=f"fewer than {FEWEST_WRENCHES} wrenches of one of the two kinds were "
                "checked as found in the low band",
                needed=f"{FEWEST_WRENCHES} of each kind would do for a first answer",
            ),
        )
    # Different wrenches, so the doubts add; degrees of freedom by B. L. Welch, Biometrika 34
    # (1947) 28-35 and F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114.
    square = over.se**2 + under.se**2
    df = square**2 / (over.se**4 / over.df + under.se**4 / under.df)
    ratio = positive_estimate(math.log(over.value / under.value), math.sqrt(square), df)
    return Claim(
        subject=Subject.ELECTRONIC_IS_BETTER,
        mechanism=spring.mechanism,
        direction=spring.direction,
        verdict=judge(ratio),
        ratio=ratio,
        settling=None,
        unanswered=None,
    )


def _open(subject: Subject, said: Said, why: Unanswered | None) -> Claim:
    return Claim(subject, said.mechanism, said.direction, Verdict.TOO_LITTLE_DATA, None, None, why)


def judge(ratio: Estimate) -> Verdict:
    """The rule of this module."""
    if ratio.lower > MATTERS:
        return Verdict.CONFIRMED
    return Verdict.NOT_CONFIRMED if ratio.upper < MATTERS else Verdict.TOO_LITTLE_DATA


def what_would_settle(found: BandRatio) -> Settling:
    """How much more evidence of the same kind an open claim needs."""
    return Settling(
        wrenches_more=_wrenches_more(found.ratio, found.wrenches), checks_more=_checks_more(found)
    )


def _distance(ratio: Estimate) -> float:
    return abs(math.log(ratio.value / MATTERS))


def _reach(df: float) -> float:
    """Standard errors that must fit between estimate and MATTERS."""
    from scipy.special import ndtri  # slow to import

    return quantile_of_t(df) + float(ndtri(POWER))


def _wrenches_more(ratio: Estimate, wrenches: int) -> int | None:
    distance = _distance(ratio)
    one = ratio.se * math.sqrt(wrenches)
    count = wrenches
    while count <= _MOST_WRENCHES:
        if _reach(count - 1.0) * one / math.sqrt(count) <= distance:
            return count - wrenches
        count += 1
    return None


def _checks_more(found: BandRatio) -> int | None:
    allowed = (_distance(found.ratio) / _reach(found.ratio.df)) ** 2 / found.ratio.se**2
    left = allowed - (1.0 - found.of_checks)
    if left <= 0 or found.of_checks / left > _MOST_TIMES:
        return None
    return max(0, math.ceil(found.checks * (found.of_checks / left - 1.0)))
