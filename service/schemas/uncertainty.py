"""The uncertainty budget of a calibration, as ISO 6789-2 sets it up."""

from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.uncertainty import Budget
from analysis.uncertainty_terms import Origin, Term
from analysis.vocabulary import Direction
from service.schemas.analyses import (
    AnalysisAnswer,
    FiniteOrNull,
    FromAnalysis,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    by_status,
)
from service.schemas.base import UtcInstant
from service.schemas.torque import TorqueAnswer
from service.torque import Torque


class ContributionAnswer(FromAnalysis):
    """One contribution, % of reading; one that nobody has found out is missing, not zero."""

    name: Term
    standard_uncertainty_pct: float | None = Field(description="k = 1; null: missing.")
    origin: Origin
    degrees_of_freedom: FiniteOrNull
    how: str


class LeftOutAnswer(FromAnalysis):
    """A contribution that does not apply to this wrench."""

    name: Term
    because: str


class BudgetAnswer(FromAnalysis):
    """The budget at one target of the last check; W and W' are lower bounds while incomplete."""

    target: TorqueAnswer
    mean_deviation_pct: float
    readings: int
    contributions: tuple[ContributionAnswer, ...]
    left_out: tuple[LeftOutAnswer, ...]
    reference_error_pct: float | None
    combined_pct: float = Field(description="w")
    degrees_of_freedom: FiniteOrNull = Field(description="null: so many that k = 2 holds.")
    coverage_factor: float
    expanded_pct: float = Field(description="W")
    interval_pct: float = Field(description="W'")
    student_factor: float = Field(
        description="The factor that would cover as much with these degrees of freedom."
    )
    incomplete_of: tuple[str, ...] = Field(description="What is not known; empty: complete.")

    @classmethod
    def of(cls, target: Torque, budget: Budget) -> Self:
        return cls(
            target=TorqueAnswer.of(target),
            mean_deviation_pct=budget.mean_deviation_pct,
            readings=budget.readings,
            contributions=tuple(
                ContributionAnswer.model_validate(each) for each in budget.contributions
            ),
            left_out=tuple(
                LeftOutAnswer(name=name, because=because)
                for name, because in budget.left_out.items()
            ),
            reference_error_pct=budget.reference_error_pct,
            combined_pct=budget.combined_pct,
            degrees_of_freedom=budget.degrees_of_freedom,
            coverage_factor=budget.coverage_factor,
            expanded_pct=budget.expanded_pct,
            interval_pct=budget.interval_pct,
            student_factor=budget.student_factor,
            incomplete_of=budget.incomplete_of,
        )


class UncertaintyAnswered(FromAnalysis):
    """The budgets of the last check in one direction, lowest target first."""

    status: Literal["answered"] = "answered"
    direction: Direction
    check: str
    performed_at: UtcInstant
    budgets: tuple[BudgetAnswer, ...]


class UncertaintyAnswer(AnalysisAnswer):
    """How uncertain the last calibration of a wrench is, and what is missing to say it in full."""

    directions: tuple[
        Annotated[UncertaintyAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
