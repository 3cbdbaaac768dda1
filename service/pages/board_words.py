"""What the board says at one glance: what to do today, and first."""

from collections.abc import Iterator
from datetime import date

from analysis.numerals import chance, counted
from service.bench_plan import PlannedVisit
from service.fleet_day import FleetDay


def glance(day: FleetDay) -> tuple[str, ...]:
    """A few sentences, the most urgent first."""
    return tuple(_glance(day))


def _glance(day: FleetDay) -> Iterator[str]:
    overdue, first = len(day.overdue()), next(iter(day.plan.visits), None)
    if overdue:
        yield f"{counted(overdue, 'wrench')} {_is(overdue)} overdue.".capitalize()
    else:
        yield "Nothing is overdue."
    if first is not None:
        yield _first(first, day.today)
    if day.unknown:
        count = len(day.unknown)
        never = "was never checked: nothing speaks for it"
        if count > 1:
            never = "were never checked: nothing speaks for them"
        yield f"{counted(count, 'wrench')} {never}."
    if day.plan.missed:
        count = len(day.plan.missed)
        yield f"{counted(count, 'booking')} went by without a check."


def _first(visit: PlannedVisit, today: date) -> str:
    when = "today" if visit.day == today else f"on {visit.day}, the bench's next day"
    if visit.failure_probability is None:
        return f"First comes {visit.wrench}, {when}: nothing is known of it yet."
    risk = chance(visit.failure_probability)
    return f"First comes {visit.wrench}, {when}: {risk} chance that a check of it would fail."


def due_words(due: date, today: date) -> str:
    """How far a due date is, seen from today."""
    days = (due - today).days
    if days == 0:
        return "due today"
    if days < 0:
        return f"{counted(-days, 'day')} overdue"
    return f"due in {counted(days, 'day')}"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"
