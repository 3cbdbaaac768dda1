"""Where trust begins in a mechanism, in words, beside the mark of the trade."""

from typing import Final

from analysis.numerals import chance, number, percent
from analysis.range_claim import Unanswered
from analysis.range_study import MechanismStudy, StudyRules
from analysis.trust_floor import TrustFloor
from service.range_wording import way

_SAME: Final = 1e-6  # shares of full scale, far below the step in which floors are sought


def trust_in_words(mechanism: MechanismStudy, rules: StudyRules) -> str:
    """The floor by risk beside the trade's mark, and the floor by capability."""
    who = f"{way(mechanism.direction).capitalize()}, {mechanism.mechanism.value} wrenches"
    floor = mechanism.floor_by_risk
    if isinstance(floor, Unanswered):
        return f"{who}: where trust begins cannot be said: {floor.because}; {floor.needed}."
    return (
        f"{who} as found keep to the {chance(rules.tolerated_pull_risk)} of pulls outside the limit"
        f" that the shop tolerates {where_in_words(floor)}{_beside(floor, rules.low_mark)}."
        f"{_capability(mechanism.floor_by_capability, rules.ppk_aimed_at)}"
    )


def where_in_words(floor: TrustFloor) -> str:
    """E.g. "from 22 % of full scale on (95 % interval 18 % to 28 %)"."""
    if floor.floor is None:
        return f"nowhere up to full scale{_or_from(floor)}"
    if floor.floor <= floor.lowest_checked + _SAME:
        lowest = _percent(floor.floor)
        return f"all the way down to {lowest}, the lowest that was checked{_up_to(floor)}"
    return f"from {_percent(floor.floor)} of full scale on{_up_to(floor)}"


def _or_from(floor: TrustFloor) -> str:
    return "" if floor.lower is None else f" (at best from {_percent(floor.lower)} on)"


def _up_to(floor: TrustFloor) -> str:
    if floor.lower is None:
        return ""
    if floor.upper is None:
        return f" (95 % interval from {_percent(floor.lower)} on, with no upper end)"
    if floor.upper - floor.lower < _SAME:
        return ""
    return f" (95 % interval {_percent(floor.lower)} to {_percent(floor.upper)})"


def _beside(floor: TrustFloor, mark: float) -> str:
    said = _percent(mark)
    if floor.lower is None or floor.lower > mark + _SAME:
        return f"; the mark of {said} is too low for them"
    if floor.lowest_checked >= mark - _SAME:
        return f"; nothing was checked below the mark of {said}, so it was not put to the test"
    if floor.upper is not None and floor.upper < mark - _SAME:
        return f"; the mark of {said} asks more than they need"
    return f", which agrees with the mark of {said}"


def _capability(floor: TrustFloor | Unanswered, aimed_at: float) -> str:
    if isinstance(floor, Unanswered):
        return ""
    return f" A Ppk of {number(aimed_at)}, a stricter aim, they meet {where_in_words(floor)}."


def _percent(share: float) -> str:
    return percent(round(100 * share, 1))
