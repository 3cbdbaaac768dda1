"""The bench's plan: which wrench to check on which day."""

from datetime import date
from typing import Self

from pydantic import Field

from analysis.schedule import Visit
from service.schemas.analyses import FromAnalysis, MethodAnswer
from service.schemas.base import Answer, UtcInstant
from service.wording import visit_in_words


class VisitAnswer(Answer):
    """One wrench on its day at the bench."""

    wrench: str
    in_words: str
    day: date
    due: date
    late: bool = Field(description="After its due date, because the bench has no room before.")
    failure_probability: float = Field(
        description="Chance that its check would fail on the day the plan is made."
    )

    @classmethod
    def of(cls, visit: Visit) -> Self:
        return cls(
            wrench=visit.wrench,
            in_words=visit_in_words(visit),
            day=visit.day,
            due=visit.due,
            late=visit.late,
            failure_probability=visit.failure_probability,
        )


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
    without_room: tuple[str, ...] = Field(
        description="Wrenches that are due and find no open day with room."
    )
    unchecked: tuple[UncheckedAnswer, ...] = Field(
        description="They have no date because nothing is known; check them first."
    )
    other_targets: tuple[ShopTargetAnswer, ...]
    cautions: tuple[str, ...]
