"""The bench's plan: which wrench to check on which day."""

from datetime import date
from typing import Self

from pydantic import Field

from service.bench_plan import PlannedVisit
from service.schemas.analyses import FromAnalysis, MethodAnswer
from service.schemas.base import Answer, UtcInstant
from service.wording import visit_in_words


class VisitAnswer(Answer):
    """One wrench on its day at the bench."""

    wrench: str
    in_words: str
    day: date
    due: date | None = Field(description="null: nothing is known of it, but somebody booked it.")
    late: bool = Field(description="After its due date.")
    days_past_cap: int = Field(description="Days after the last day that the policy allows.")
    failure_probability: float | None = Field(
        description="Chance that its check would fail on the day the plan is made."
    )
    expected_days_out: float | None = Field(
        description="Expected number of days until the visit on which a check would fail."
    )
    booking: str | None = Field(description="Id of the booking that holds the day; null: none.")

    @classmethod
    def of(cls, visit: PlannedVisit) -> Self:
        return cls(
            wrench=visit.wrench,
            in_words=visit_in_words(visit),
            day=visit.day,
            due=visit.due,
            late=visit.late,
            days_past_cap=visit.days_past_cap,
            failure_probability=visit.failure_probability,
            expected_days_out=visit.expected_days_out,
            booking=visit.booking.id if visit.booking else None,
        )


class MissedAnswer(Answer):
    """A booked day that went by without a check; the wrench is planned anew."""

    booking: str
    wrench: str
    day: date


class UncheckedAnswer(Answer):
    """A wrench in service that no reading speaks for."""

    wrench: str
    because: str


class ShopTargetAnswer(FromAnalysis):
    """What another reliability target would cost and bring for the whole shop."""

    target: float
    histories: int = Field(description="Wrenches with evidence, each direction counted.")
    left_out: int = Field(
        description="Of them, those that need work first; they are in none of the numbers."
    )
    due_at_once: int
    checks_per_year: float
    failing_per_year: float
    share_failing: float
    bound_by_reliability: int = Field(
        description="How many intervals the target sets; the policy sets the others."
    )


class ScheduleAnswer(Answer):
    """Visits by day, the riskiest first within a day."""

    as_of: UtcInstant | None
    first_day: date
    last_day: date
    method: MethodAnswer
    policy_version: int
    checks_per_day: int
    visits: tuple[VisitAnswer, ...]
    in_words: str
    without_room: tuple[str, ...] = Field(
        description="Wrenches due in these days that find no free place in them."
    )
    unchecked: tuple[UncheckedAnswer, ...] = Field(
        description="They have no date because nothing is known; check them first."
    )
    missed_bookings: tuple[MissedAnswer, ...]
    expected_days_out: float = Field(
        description="Sum over the visits: expected wrench-days out of tolerance until them."
    )
    other_targets: tuple[ShopTargetAnswer, ...]
    cautions: tuple[str, ...]


class RegimeAnswer(FromAnalysis):
    """A way to set intervals, a year."""

    checks: float = Field(description="Expected number of checks.")
    days_out: float = Field(
        description="Expected number of days on which a check would find a reading outside."
    )


class WrenchSavingsAnswer(FromAnalysis):
    """One wrench by its due dates, and with the fixed interval."""

    wrench: str
    interval_days: float = Field(description="From its last check to its due date.")
    by_due_dates: RegimeAnswer
    fixed: RegimeAnswer


class SavingsAnswer(Answer):
    """What due dates save or risk against one interval for all wrenches."""

    as_of: UtcInstant | None
    day: date
    method: MethodAnswer
    policy_version: int
    months: int = Field(description="The fixed interval.")
    in_words: str
    by_due_dates: RegimeAnswer
    fixed: RegimeAnswer
    wrenches: tuple[WrenchSavingsAnswer, ...]
    needs_work: tuple[str, ...] = Field(
        description="Below the shop's target on the day of their last check: in neither sum."
    )
    cautions: tuple[str, ...]
