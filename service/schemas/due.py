"""When a wrench must be checked again, and what set the date."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.due import Bound, Due
from analysis.use_since import UseSince, UseSource
from analysis.vocabulary import Direction
from analysis.what_if import TargetOutcome
from service.frames import date_of_day
from service.records import Policy
from service.schemas.analyses import (
    AnalysisAnswer,
    FromAnalysis,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    by_status,
)
from service.schemas.base import Answer
from service.use_wording import use_in_words
from service.wording import due_in_words


class WaitAnswer(FromAnalysis):
    """Chance that a check some days from now would pass."""

    days: int
    pass_probability: float


class TargetAnswer(FromAnalysis):
    """What another reliability target would cost and bring for this wrench."""

    target: float
    interval_days: float
    bound_by: Bound
    reliability_days: float | None = Field(
        description="After the last check until the target is crossed; null: not before the cap."
    )
    checks_per_year: float
    share_failing: float = Field(description="Of the checks on the due date.")


class UseAnswer(Answer):
    """How many cycles since the last check, and what tells them; they count in both directions."""

    in_words: str
    cycles: float | None = Field(description="The sum of the parts; null: unknown.")
    source: UseSource = Field(
        description="The weakest of what the count rests on: a counter read at a later check of"
        " the other direction, recorded pulls, the pace of use, or nothing."
    )
    by_counter: float = Field(description="Up to the last counter read since.")
    recorded_pulls: float = Field(
        description="After that; work that nobody recorded is not in it. Where the count is"
        " unknown, the two are the least that it can be."
    )
    assumed: float = Field(
        description="At the pace of use, where no work is recorded, or before recording began if"
        " that was more than 31 days late."
    )

    @classmethod
    def of(cls, use: UseSince, time_zone: str) -> Self:
        return cls(
            in_words=use_in_words(use, time_zone),
            cycles=use.cycles,
            source=use.source,
            by_counter=use.read,
            recorded_pulls=use.recorded,
            assumed=use.assumed,
        )


class DueAnswered(FromAnalysis):
    """The due date in one direction; dates are dates of the shop's time zone."""

    status: Literal["answered"] = "answered"
    direction: Direction
    in_words: str
    due_on: date
    overdue: bool
    bound_by: Bound = Field(
        description="What set the date: the reliability target, a cap of the policy, or its floor."
    )
    last_check_on: date
    reliability_on: date | None = Field(
        description="First date on which the pass probability is below the target; null: later"
        " than the cap in months."
    )
    reliability_between: tuple[date, date] = Field(
        description="90 % range of that date over what the family does not know about itself, no"
        " later than the cap in months."
    )
    months_cap_on: date
    cycles_since_check: UseAnswer
    cycles_cap_on: date | None = Field(
        description="When the cycles since the last check reached the cap, or will at the pace of"
        " use; null when neither is known."
    )
    cycles_per_day: float | None = Field(
        description="By the counts at its checks; without them by its recorded pulls, where they"
        " span 30 days."
    )
    pass_probability_at_due: float
    waits: tuple[WaitAnswer, ...] = Field(description="The risk of waiting.")
    other_targets: tuple[TargetAnswer, ...]

    @classmethod
    def of(
        cls,
        wrench: str,
        direction: Direction,
        due: Due,
        other_targets: Sequence[TargetOutcome],
        policy: Policy,
        today: date,
    ) -> Self:
        time_zone = policy.time_zone
        due_on = date_of_day(due.due_day, time_zone)
        return cls(
            direction=direction,
            in_words=due_in_words(wrench, direction, due, policy, today),
            due_on=due_on,
            overdue=due_on < today,
            bound_by=due.bound_by,
            last_check_on=date_of_day(due.last_check_day, time_zone),
            reliability_on=(
                None if due.reliability_day is None else date_of_day(due.reliability_day, time_zone)
            ),
            reliability_between=(
                date_of_day(due.reliability_day_interval[0], time_zone),
                date_of_day(due.reliability_day_interval[1], time_zone),
            ),
            months_cap_on=date_of_day(due.months_day, time_zone),
            cycles_since_check=UseAnswer.of(due.use, time_zone),
            cycles_cap_on=(
                None if due.cycles_day is None else date_of_day(due.cycles_day, time_zone)
            ),
            cycles_per_day=due.use.cycles_per_day,
            pass_probability_at_due=due.pass_probability_at_due,
            waits=tuple(WaitAnswer.model_validate(wait) for wait in due.waits),
            other_targets=tuple(TargetAnswer.model_validate(each) for each in other_targets),
        )


class DueAnswer(AnalysisAnswer):
    """When a wrench must be checked again, in each direction and for the wrench."""

    due_on: date | None = Field(
        description="The earliest of the directions; null when none has a date."
    )
    directions: tuple[
        Annotated[DueAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
