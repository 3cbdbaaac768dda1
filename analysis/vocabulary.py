"""The closed word lists of the field: mechanisms, directions, kinds of check, bands, rules.

Terms follow ISO 6789-1:2017 and the GUM/VIM where they have one.
"""

from enum import StrEnum
from typing import TypeAlias


class Mechanism(StrEnum):
    """What makes the torque known: a tripping spring, a strain gauge, a bending beam, a dial."""

    SPRING = "spring"
    ELECTRONIC = "electronic"
    BEAM = "beam"
    DIAL = "dial"


class Direction(StrEnum):
    """Direction of operation, seen from behind the wrench."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter_clockwise"


# A wrench by its serial, in one direction: what has a history, a law and a due date of its own.
Member: TypeAlias = tuple[str, Direction]


class CheckKind(StrEnum):
    """Why the wrench met the tester.

    as_found      before anyone touched it; the evidence about drift and about past work
    as_left       after an adjustment or repair; begins a new segment of the wrench's history
    verification  a check that neither followed use nor an adjustment, e.g. the maker's card
    """

    AS_FOUND = "as_found"
    AS_LEFT = "as_left"
    VERIFICATION = "verification"


class Edition(StrEnum):
    """Edition of ISO 6789 that a certificate follows; 2017 split it into parts 1 and 2."""

    E2003 = "2003"
    E2017 = "2017"


class Band(StrEnum):
    """Part of the range, by the share x = target / full scale."""

    LOW = "low"
    MID = "mid"
    UPPER = "upper"


class DecisionRule(StrEnum):
    """How tester uncertainty enters pass or fail (JCGM 106:2012, clause 8).

    simple              accept inside the MPD, reject outside; the risk is shared
    guarded_by_u        accept only inside MPD - U, reject only outside MPD + U, else inconclusive
    false_accept_2_pct  accept only so far inside the MPD that at most 2 % of all readings are
                        accepted wrongly, reject outside the MPD, else inconclusive
    """

    SIMPLE = "simple"
    GUARDED_BY_U = "guarded_by_u"
    FALSE_ACCEPT_2_PCT = "false_accept_2_pct"
