"""The bench's plan: which wrench to check on which day."""

from datetime import date

from pydantic import Field

from service.schemas.analyses import FromAnalysis, MethodAnswer
from service.schemas.base import Answer, UtcInstant


class VisitAnswer(FromAnalysis):
    """One wrench on its day at the bench."""

    wrench: str
    day: date
    due: date
    late: bool = Field(description="After its due date, because the bench has no room before.")
    failure_probability: float = Field(
        description="Chance that its check would fail on the day the plan is made."
    )


class UncheckedAnswer(Answer):
    """A wrench in service that no reading speaks for."""

    wrench: str
    because: str


class ScheduleAnswer(Answer):
    """Visits by day, the riskiest first within a day."""

    as_of: UtcInstant | None
    first_day: date
    last_day: date
    method: MethodAnswer
    policy_version: int
    checks_per_day: int
    visits: tuple[VisitAnswer, ...]
    without_room: tuple[str, ...] = Field(
        description="Wrenches that are due and find no open day with room."
    )
    unchecked: tuple[UncheckedAnswer, ...] = Field(
        description="They have no date because nothing is known; check them first."
    )
    cautions: tuple[str, ...]
