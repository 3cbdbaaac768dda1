"""The shop's policy: what it aims at, and what its bench can do."""

from collections.abc import Hashable
from datetime import date
from typing import Annotated, Any, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from analysis.vocabulary import DecisionRule
from service import records
from service.schemas.base import Answer, Input

Share = Annotated[float, Field(gt=0, lt=1)]
Weekday = Annotated[int, Field(ge=0, le=6)]


def _zone(name: str) -> str:
    if name not in available_timezones():
        raise PydanticCustomError(
            "time_zone", "{name} is not a time zone of the IANA database", {"name": repr(name)}
        )
    return ZoneInfo(name).key


class PolicyInput(Input):
    """The whole policy, replacing the one in force."""

    reliability_target: Share = Field(
        description="A wrench is due when its pass probability falls below this."
    )
    tolerated_pull_risk: Share = Field(
        description="Chance that one pull is outside the permissible deviation: fit below it."
    )
    refused_pull_risk: Share = Field(description="Not fit above it; between the two, caution.")
    cap_months: Annotated[int, Field(ge=1, le=60)]
    cap_cycles: Annotated[int, Field(ge=1, le=1_000_000)]
    floor_days: Annotated[int, Field(ge=0, le=365)] = Field(
        description="Never due sooner than this after a passed check."
    )
    card_valid_months: Annotated[int, Field(ge=1, le=120)] = Field(
        description="How long after its readings a card that came with a wrench speaks for it."
    )
    decision_rule: DecisionRule
    low_band_below: Share = Field(description="Share of full scale.")
    upper_band_above: Share = Field(description="Share of full scale.")
    caution_below: Share = Field(
        description="Share of full scale below which readings are marked apart."
    )
    plan_targets: Annotated[
        tuple[Annotated[float, Field(gt=0, le=1)], ...], Field(min_length=1, max_length=10)
    ] = Field(description="Targets of a usual check, shares of full scale.")
    plan_repeats: Annotated[int, Field(ge=1, le=100)]
    bench_checks_per_day: Annotated[int, Field(ge=1, le=1000)]
    closed_weekdays: Annotated[tuple[Weekday, ...], Field(max_length=6)] = Field(
        description="0 is Monday; at least one day stays open."
    )
    closed_dates: Annotated[tuple[date, ...], Field(max_length=400)] = Field(
        default=(), description="Single days on which the bench is closed, such as holidays."
    )
    time_zone: Annotated[str, Field(max_length=64), AfterValidator(_zone)] = Field(
        description="A zone of the IANA database, such as Europe/Berlin.", examples=["UTC"]
    )

    @field_validator("refused_pull_risk")
    @classmethod
    def _above_the_tolerated(cls, refused: float, info: ValidationInfo) -> float:
        if refused <= info.data.get("tolerated_pull_risk", 0.0):
            raise PydanticCustomError("order", "must be above tolerated_pull_risk")
        return refused

    @field_validator("upper_band_above")
    @classmethod
    def _above_the_low_band(cls, upper: float, info: ValidationInfo) -> float:
        if upper <= info.data.get("low_band_below", 0.0):
            raise PydanticCustomError("order", "must be above low_band_below")
        return upper

    @field_validator("plan_targets", "closed_weekdays", "closed_dates")
    @classmethod
    def _each_once(cls, values: tuple[Hashable, ...]) -> tuple[Hashable, ...]:
        if len(set(values)) != len(values):
            raise PydanticCustomError("repeated", "each value may come once")
        return values

    def record(self) -> records.Policy:
        return records.Policy(**self.model_dump())


class PolicyAnswer(Answer):
    """The policy in force; `version` rises with every change."""

    reliability_target: float
    tolerated_pull_risk: float
    refused_pull_risk: float
    cap_months: int
    cap_cycles: int
    floor_days: int
    card_valid_months: int
    decision_rule: DecisionRule
    low_band_below: float
    upper_band_above: float
    caution_below: float
    plan_targets: tuple[float, ...]
    plan_repeats: int
    bench_checks_per_day: int
    closed_weekdays: tuple[int, ...]
    closed_dates: tuple[date, ...]
    time_zone: str
    version: int

    @classmethod
    def of(cls, policy: records.Policy) -> Self:
        return cls(**_fields(policy))


def _fields(policy: records.Policy) -> dict[str, Any]:
    return {name: getattr(policy, name) for name in PolicyAnswer.model_fields}
