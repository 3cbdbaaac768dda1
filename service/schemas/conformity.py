"""Whether the last check shows that a wrench conforms, the tester's uncertainty considered."""

from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.conformity import Decision
from analysis.vocabulary import CheckKind, DecisionRule, Direction
from service.conformity import JudgedConformity
from service.records import Policy
from service.schemas.analyses import (
    AnalysisAnswer,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    by_status,
)
from service.schemas.base import Answer, UtcInstant
from service.schemas.verdicts import PointVerdictAnswer


class ConformityAnswered(Answer):
    """The last check in one direction, under each decision rule (JCGM 106)."""

    status: Literal["answered"] = "answered"
    direction: Direction
    check: str
    kind: CheckKind
    performed_at: UtcInstant
    expanded_uncertainty_pct: float | None = Field(
        description="U of the tester or card, % of reading; null when nobody states it."
    )
    coverage_factor: float
    decision_rule: DecisionRule = Field(description="The shop's own.")
    decision: Decision = Field(description="Under the shop's own rule.")
    simple: Decision = Field(description="Simple acceptance.")
    guarded_by_u: Decision = Field(description="Acceptance guarded by U on either side.")
    false_accept_2_pct: Decision = Field(description="At most 2 % of readings accepted wrongly.")
    points: tuple[PointVerdictAnswer, ...] = Field(description="Under the shop's own rule.")

    @classmethod
    def of(cls, judged: JudgedConformity, policy: Policy) -> Self:
        return cls(
            direction=judged.check.direction,
            check=judged.check.id,
            kind=judged.check.kind,
            performed_at=judged.check.performed_at,
            expanded_uncertainty_pct=judged.uncertainty_pct,
            coverage_factor=judged.coverage_factor,
            decision_rule=policy.decision_rule,
            decision=judged.verdict.decision,
            simple=judged.decisions[DecisionRule.SIMPLE],
            guarded_by_u=judged.decisions[DecisionRule.GUARDED_BY_U],
            false_accept_2_pct=judged.decisions[DecisionRule.FALSE_ACCEPT_2_PCT],
            points=tuple(PointVerdictAnswer.of(point, policy) for point in judged.verdict.points),
        )


class ConformityAnswer(AnalysisAnswer):
    """Whether a wrench was found to conform when it was last checked, in each direction."""

    directions: tuple[
        Annotated[ConformityAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
