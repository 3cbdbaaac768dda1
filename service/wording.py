"""What an analysis found, in one sentence that a lead technician understands."""

from datetime import date
from typing import TYPE_CHECKING, Final

from analysis.due import Bound
from analysis.fitness import Fitness, Ground
from analysis.numerals import chance, number, percent
from analysis.risk import Driver
from analysis.use_since import UseSource
from analysis.vocabulary import CheckKind, Direction
from service.acceptance import AcceptanceVerdict
from service.booking_records import Booking, BookingStatus
from service.frames import date_of_day
from service.records import Policy
from service.torque import Torque
from service.use_wording import use_in_words

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.risk import Risk
    from analysis.savings import Savings
    from service.acceptance import Acceptance
    from service.bench_plan import BenchPlan, PlannedVisit
    from service.pull import JudgedPull

DIRECTIONS: Final = {
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


def direction_in_words(direction: Direction) -> str:
    """E.g. "counter-clockwise"."""
    return DIRECTIONS[direction]


def verdict_in_words(fitness: Fitness) -> str:
    """E.g. "fit with caution"."""
    return _VERDICTS[fitness]


def torque_in_words(torque: Torque) -> str:
    """E.g. "24 N·m"."""
    return f"{number(torque.value, 4)} {unit_in_words(torque.unit)}"


def unit_in_words(unit: str) -> str:
    """E.g. "ft·lbf"."""
    return unit.replace(".", "·")


def turn_in_words(target_deg: float, deviation_deg: float, mpd_deg: float) -> str:
    """What a mean angle deviation means at the fastener."""
    limit = f"at {number(target_deg, 4)}°, limit ±{number(mpd_deg)}°"
    if abs(deviation_deg) < 1e-9:
        return f"turns what it shows {limit}"
    size, less = number(abs(deviation_deg), 2), "less" if deviation_deg > 0 else "more"
    return f"turns {size}° {less} than it shows {limit}"


def acceptance_in_words(wrench: str, found: "Acceptance") -> str:
    """The verdict on taking a wrench into use, why, and what would do."""
    verdict = {
        AcceptanceVerdict.ACCEPTED: "accepted, ",
        AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK: (
            "accepted for now, " if found.own_checks else "accepted until its first own check, "
        ),
        AcceptanceVerdict.NOT_ACCEPTED: "not accepted: ",
    }[found.verdict]
    needed = f"; {found.needed}" if found.needed else ""
    return f"{wrench} {DIRECTIONS[found.direction]}: {verdict}{found.because}{needed}."


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
        f"{judged.wrench} {DIRECTIONS[direction]}: {chance(risk.pull_risk)} chance that {pull} at "
        f"{torque_in_words(torque)} is outside ±{percent(risk.mpd_pct, 3)}{_cause(risk)}; "
        f"{verdict}."
    )


def why_in_words(judged: "JudgedPull", direction: Direction) -> str:
    """What a wrench's risk comes from and what speaks against it, beside its chance and due date.

    E.g. "Clockwise, mostly because its readings scatter. The shop refuses so high a chance."
    """
    reasons = [
        _SHORT.get(each.ground, each.words)
        for each in judged.reasons
        if each.ground is not Ground.OVERDUE
    ]
    if not judged.reasons:
        return f"{DIRECTIONS[direction]}: nothing speaks against it.".capitalize()
    sentences = [f"{DIRECTIONS[direction]}{_cause(judged.risk)}", *reasons]
    return " ".join(f"{text[:1].upper()}{text[1:]}." for text in sentences)


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
        Bound.CYCLES: _cap_in_words(due, policy),
        Bound.FLOOR: "the soonest that the shop's policy asks for after a check",
    }[due.bound_by]
    # Said where somebody counted, or where the count sets the date.
    told = due.use.source in (UseSource.COUNTER, UseSource.PULLS) or due.use.recorded
    cycles = ""
    if told or due.bound_by is Bound.CYCLES:
        cycles = f" {use_in_words(due.use, policy.time_zone)}"
    return (
        f"{wrench} {DIRECTIONS[direction]}: {since} {due_on}, {bound}; last check "
        f"{date_of_day(due.last_check_day, policy.time_zone)}; a check today would pass with "
        f"{chance(due.waits[0].pass_probability)}.{cycles}"
    )


def _cap_in_words(due: "Due", policy: Policy) -> str:
    cap = f"{number(policy.cap_cycles, 15)} cycles"
    reached = due.due_day <= due.use.work.until_day
    if reached and due.use.source is not UseSource.PACE_ASSUMED:
        return f"when it had made the {cap} that the policy allows between checks"
    return f"after {cap} at its pace of use"


def visit_in_words(visit: "PlannedVisit") -> str:
    """When a wrench is to be checked, and how likely it is to fail."""
    what = "check on" if visit.booking is None else "booked for"
    closed = ", a day on which the bench is closed by the policy in force" if visit.closed else ""
    if visit.due is None or visit.failure_probability is None:
        return f"{visit.wrench}: {what} {visit.day}{closed}; nothing is known of it yet."
    return (
        f"{visit.wrench}: {what} {visit.day}{closed}, {_due(visit.day, visit.due)}"
        f"{_past_cap(visit)}; {chance(visit.failure_probability)} chance that a check today would "
        "fail."
    )


def schedule_in_words(plan: "BenchPlan") -> str:
    """How many checks, how many of them late or before their dates, and what is left over."""
    if not plan.visits:
        told = f"No check is planned until {plan.last_day}"
    else:
        overdue = sum(v.due is not None and v.due < plan.first_day for v in plan.visits)
        late = sum(visit.late for visit in plan.visits) - overdue
        early = sum(v.due is not None and v.day < v.due and not v.booking for v in plan.visits)
        booked = sum(visit.booking is not None for visit in plan.visits)
        counts = (
            (overdue, "overdue today"),
            (late, "late besides"),
            (early, "before the due date, for want of room on it"),
            (booked, "booked"),
        )
        parts = ", ".join(f"{count} {what}" for count, what in counts if count)
        checks = "1 check" if len(plan.visits) == 1 else f"{len(plan.visits)} checks"
        out = number(plan.expected_days_out, 2)
        told = (
            f"{checks} until {plan.last_day}{f': {parts}' if parts else ', each on its due date'}; "
            f"until they are done, {out} wrench-days out of tolerance are expected"
        )
    rest = (
        (plan.without_room, "due and without a place in these days"),
        (plan.unchecked, "never checked: check first"),
    )
    left = "; ".join(f"{', '.join(names)}: {what}" for names, what in rest if names)
    return f"{told}{f'; {left}' if left else ''}."


def _due(day: date, due: date) -> str:
    return f"due on {due}" if day <= due else f"{_days((day - due).days)} after it was due on {due}"


def _past_cap(visit: "PlannedVisit") -> str:
    """Said where the forecast set an earlier day; else the days after it was due say the same."""
    if not visit.days_past_cap or visit.cap == visit.due:
        return ""
    return f", and {_days(visit.days_past_cap)} after the last day that the policy allows"


def _days(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"


def booking_in_words(booking: Booking) -> str:
    """Which wrench has which day, or had it."""
    kind = f"its check {booking.kind.value.replace('_', ' ')}"
    if booking.kind is CheckKind.VERIFICATION:
        kind = "a verification"
    if booking.status is BookingStatus.CANCELLED:
        why = f": {booking.reason}" if booking.reason else ""
        return f"{booking.wrench}: no longer booked for {booking.day}{why}."
    return f"{booking.wrench}: booked for {booking.day}, for {kind}."


def savings_in_words(found: "Savings", months: int) -> str:
    """What due dates save or risk against one check every so many months."""
    every = "once a month" if months == 1 else f"every {months} months"
    if not found.wrenches:
        return "No wrench has an interval to compare: none that was checked is fit to run one."
    by_due, fixed = found.by_due_dates, found.fixed
    more = by_due.checks - fixed.checks
    change = "as many as" if round(more) == 0 else f"{number(abs(more), 2)} more than"
    if round(more) < 0:
        change = f"{number(abs(more), 2)} fewer than"
    count = len(found.wrenches)
    wrenches = "1 wrench is" if count == 1 else f"{count} wrenches are"
    work = len(found.needs_work)
    left = ""
    if work:
        left = (
            f" {'1 wrench needs' if work == 1 else f'{work} wrenches need'} work first and "
            f"{'is' if work == 1 else 'are'} in neither number."
        )
    return (
        f"By due dates {wrenches} checked {number(by_due.checks, 2)} times a year, {change} with a "
        f"check {every}, and out of tolerance on an expected {number(by_due.days_out, 2)} "
        f"wrench-days a year instead of {number(fixed.days_out, 2)}.{left}"
    )
