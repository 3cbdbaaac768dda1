"""What every answer of an analysis has in common."""

import math
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AwareDatetime, BeforeValidator, ConfigDict, Field

from analysis.vocabulary import Direction
from service import cautions
from service.frames import instant_of_day
from service.schemas.base import Answer, UtcInstant


def _finite_or_none(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


DayInstant = Annotated[AwareDatetime, BeforeValidator(instant_of_day)]
FiniteOrNull = Annotated[
    float | None,
    BeforeValidator(_finite_or_none),
    Field(description="null where the data do not bound it."),
]


class FromAnalysis(Answer):
    """Built from a result of `analysis` whose attributes have these names."""

    model_config = ConfigDict(from_attributes=True)


Built = TypeVar("Built", bound=FromAnalysis)


def or_none(model: type[Built], found: object) -> Built | None:
    """The answer built from a result; None of None."""
    return None if found is None else model.model_validate(found)


class MethodAnswer(FromAnalysis):
    """How the numbers were found; a changed method is a new version."""

    name: str
    version: str
    laws: str | None = Field(
        default=None,
        description="Version of the evidence that the laws of the families were learnt from, where "
        "the answer rests on them. A new check moves its wrench at once; the laws follow.",
    )


class TooThin(FromAnalysis):
    """Too little evidence for this part of the answer."""

    because: str
    needed: str


class NotEnoughAnswer(Answer):
    """The evidence cannot answer for this direction yet."""

    status: Literal["not_enough_evidence"] = "not_enough_evidence"
    direction: Direction
    because: str
    needed: str


class NoPerformanceAnswer(Answer):
    """The wrench states no performance to judge this direction by."""

    status: Literal["no_stated_performance"] = "no_stated_performance"
    direction: Direction
    because: str
    needed: str


class AnalysisAnswer(Answer):
    """An analysis of one wrench; the same question of the same evidence has the same answer."""

    wrench: str
    as_of: UtcInstant | None = Field(description="The instant asked about; null: none was.")
    day: date = Field(description="The shop's date that forecasts begin on.")
    method: MethodAnswer
    policy_version: int = Field(description="Version of the policy that the answer follows.")
    cautions: tuple[str, ...] = cautions.ALWAYS


def by_status() -> Any:
    """The discriminator of an answer for one direction."""
    return Field(discriminator="status")
