"""Where one wrench may be trusted, in the unit of its own scale and in N·m."""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.trust_floor import TrustedWindow
from analysis.vocabulary import Direction
from service.range_wording import window_in_words
from service.records import Policy, Wrench
from service.schemas.analyses import (
    AnalysisAnswer,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    by_status,
)
from service.schemas.base import Answer
from service.schemas.torque import TorqueAnswer


class TrustedWindowAnswer(Answer):
    """The stretch of its marked range in which its own pull risk is no more than is tolerated."""

    status: Literal["answered"] = "answered"
    wrench: str
    direction: Direction
    lowest: TorqueAnswer | None = Field(description="null: nowhere in its marked range.")
    highest: TorqueAnswer | None
    lowest_at_least: TorqueAnswer | None = Field(
        description="Lower end of the 95 % interval of `lowest`."
    )
    lowest_at_most: TorqueAnswer | None = Field(
        description="Its upper end; null: it may be nowhere."
    )
    lowest_pct_of_full_scale: float | None
    highest_pct_of_full_scale: float | None
    worst_pull_risk: float = Field(description="Its highest pull risk in its marked range.")
    worst_at: TorqueAnswer
    checks: int = Field(description="Checks that its history holds, cards included.")
    in_words: str

    @classmethod
    def of(cls, window: TrustedWindow, wrench: Wrench, policy: Policy, day: date) -> Self:
        def torque(x: float | None) -> TorqueAnswer | None:
            return None if x is None else TorqueAnswer.of(wrench.full_scale.times(x))

        def percent(x: float | None) -> float | None:
            return None if x is None else 100 * x

        return cls(
            wrench=window.wrench,
            direction=window.direction,
            lowest=torque(window.lowest),
            highest=torque(window.highest),
            lowest_at_least=torque(window.floor_lower),
            lowest_at_most=torque(window.floor_upper),
            lowest_pct_of_full_scale=percent(window.lowest),
            highest_pct_of_full_scale=percent(window.highest),
            worst_pull_risk=window.worst,
            worst_at=TorqueAnswer.of(wrench.full_scale.times(window.worst_at)),
            checks=window.checks,
            in_words=window_in_words(window, wrench, policy, day),
        )


class WrenchWindowAnswer(AnalysisAnswer):
    """Where one wrench may be trusted."""

    directions: tuple[
        Annotated[TrustedWindowAnswer | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
