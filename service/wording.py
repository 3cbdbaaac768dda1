"""What an analysis found, in one sentence that a lead technician understands."""

from datetime import date
from typing import TYPE_CHECKING, Final

from analysis.due import Bound
from analysis.fitness import Fitness, Ground
from analysis.numerals import chance, number, percent
from analysis.risk import Driver
from analysis.vocabulary import Direction
from service.acceptance import AcceptanceVerdict
from service.frames import date_of_day
from service.records import Policy
from service.torque import Torque

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.risk import Risk
    from analysis.schedule import Visit
    from service.acceptance import Acceptance
    from service.pull import JudgedPull

_DIRECTIONS: Final = {
    Direction.CLOCKWISE: "clockwise",
    Direction.COUNTER_CLOCKWISE: "counter-clockwise",
}
_VERDICTS: Final = {
    Fitness.FIT: "fit",
    Fitness.CAUTION: "fit with caution",
    Fitness.NOT_FIT: "not fit",
}
_CAUSES: Final = {
    Driver.SCATTER: "its readings scatter",
    Driver.AGE_OF_EVIDENCE: "its last check is long ago",
    Driver.THIN_EVIDENCE: "few readings speak for it",
    Driver.POSITION_IN_RANGE: "the torque is low in its range",
}
# The sentence names the chance already.
_SHORT: Final = {
    Ground.PULL_RISK_REFUSED: "the shop refuses so high a chance",
    Ground.PULL_RISK: "the chance is above what the shop tolerates",
    Ground.ANGLE_RISK_REFUSED: "the shop refuses so high a chance of a wrong angle",
    Ground.ANGLE_RISK: "the chance of a wrong angle is above what the shop tolerates",
    Ground.STEP_RISK_REFUSED: "the shop refuses so high a chance that torque or angle is off",
    Ground.STEP_RISK: "the chance that torque or angle is off is above what the shop tolerates",
}


_ACCEPTED: Final = {
    AcceptanceVerdict.ACCEPTED: "accepted",
    AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK: "accepted until its first own check",
    AcceptanceVerdict.NOT_ACCEPTED: "not accepted",
}


def direction_in_words(direction: Direction) -> str:
    """E.g. "counter-clockwise"."""
    return _DIRECTIONS[direction]


def verdict_in_words(fitness: Fitness) -> str:
    """E.g. "fit with caution"."""
    return _VERDICTS[fitness]


def torque_in_words(torque: Torque) -> str:
    """E.g. "24 N·m"."""
    return f"{number(torque.value, 4)} {torque.unit.replace('.', '·')}"


def turn_in_words(target_deg: float, deviation_deg: float, mpd_deg: float) -> str:
    """What a mean angle deviation means at the fastener."""
    limit = f"at {number(target_deg, 4)}°, limit ±{number(mpd_deg)}°"
    if abs(deviation_deg) < 1e-9:
        return f"turns what it shows {limit}"
    size, less = number(abs(deviation_deg), 2), "less" if deviation_deg > 0 else "more"
    return f"turns {size}° {less} than it shows {limit}"


def acceptance_in_words(wrench: str, found: "Acceptance") -> str:
    """The verdict on taking a wrench into use, why, and what would do."""
    verdict = f"{wrench} {_DIRECTIONS[found.direction]}: {_ACCEPTED[found.verdict]}"
    refused = found.verdict is AcceptanceVerdict.NOT_ACCEPTED
    because = f"{': ' if refused else ', '}{found.because}"
    return f"{verdict}{because}{f'; {found.needed}' if found.needed else ''}."


def risk_in_words(
    judged: "JudgedPull", direction: Direction, torque: Torque, on: date | None
) -> str:
    """The chance of a bad pull, what it comes from, and the verdict with its reasons.

    on   the day of the pull; None: the day of the answer
    """
    risk = judged.risk
    pull = "the next pull" if on is None else f"a pull on {on}"
    because = "; ".join(_SHORT.get(each.ground, each.words) for each in judged.reasons)
    verdict = _VERDICTS[judged.fitness] + (f": {because}" if because else "")
    return (
        f"{judged.wrench} {_DIRECTIONS[direction]}: {chance(risk.pull_risk)} chance that {pull} at "
        f"{torque_in_words(torque)} is outside ±{percent(risk.mpd_pct, 3)}{_cause(risk)}; "
        f"{verdict}."
    )


def _cause(risk: "Risk") -> str:
    """What the pull risk mostly comes from; nothing where nothing would lower it.

    The strongest cause, and the next where it is large too: without it, the risk would be halved.
    """
    first, second, *_ = risk.drivers
    if first.without >= risk.pull_risk:
        return ""
    causes = _cause_in_words(first.driver, risk)
    if second.without < risk.pull_risk / 2:
        causes += f" and {_cause_in_words(second.driver, risk)}"
    return f", mostly because {causes}"


def _cause_in_words(driver: Driver, risk: "Risk") -> str:
    if driver is Driver.BIAS:
        side = "low" if risk.deviation_pct > 0 else "high"
        return f"it delivers {percent(abs(risk.deviation_pct))} {side}"
    return _CAUSES[driver]


def due_in_words(wrench: str, direction: Direction, due: "Due", policy: Policy, today: date) -> str:
    """The due date, what set it, and what a check today would find."""
    due_on = date_of_day(due.due_day, policy.time_zone)
    since = "due on" if due_on >= today else "overdue since"
    bound = {
        Bound.RELIABILITY: "when a check is no longer expected to pass with "
        f"{chance(policy.reliability_target)}",
        Bound.MONTHS: f"{number(policy.cap_months)} months after its last check",
        Bound.CYCLES: f"after {number(policy.cap_cycles, 4)} cycles at its pace of use",
        Bound.FLOOR: "the soonest that the shop's policy asks for after a check",
    }[due.bound_by]
    return (
        f"{wrench} {_DIRECTIONS[direction]}: {since} {due_on}, {bound}; last check "
        f"{date_of_day(due.last_check_day, policy.time_zone)}; a check today would pass with "
        f"{chance(due.waits[0].pass_probability)}."
    )


def visit_in_words(visit: "Visit") -> str:
    """When a wrench is to be checked, and how likely it is to fail."""
    return (
        f"{visit.wrench}: check on {visit.day}, {_due(visit)}; "
        f"{chance(visit.failure_probability)} chance that a check today would fail."
    )


def _due(visit: "Visit") -> str:
    if not visit.late:
        return f"due on {visit.due}"
    days = (visit.day - visit.due).days
    return f"{days} {'day' if days == 1 else 'days'} after it was due on {visit.due}"
