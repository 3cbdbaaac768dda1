"""Testers: the reference devices, with what their certificates say."""

import dataclasses
from datetime import date, datetime
from typing import Annotated, Any, Self

from pydantic import Field

from service import records
from service.schemas.base import Answer, Input, Line, Unchanged, UtcInstant
from service.schemas.torque import PositiveTorqueInput, TorqueAnswer, TorqueInput
from service.schemas.wrenches import Serial

ExpandedUncertaintyPct = Annotated[
    float, Field(gt=0, le=100, description="Expanded uncertainty U, % of reading.")
]
CoverageFactor = Annotated[
    float, Field(ge=1, le=10, description="Coverage factor k of U, usually 2.")
]


class TesterInput(Input):
    """A tester to register."""

    serial: Serial
    model: Line | None = None
    lowest: PositiveTorqueInput
    full_scale: PositiveTorqueInput
    expanded_uncertainty_pct: ExpandedUncertaintyPct
    coverage_factor: CoverageFactor
    certificate: Line = Field(description="Number of the calibration certificate.")
    calibrated_on: date
    due_on: date

    def record(self, now: datetime) -> records.Tester:
        return records.Tester(
            serial=self.serial,
            model=self.model,
            lowest=self.lowest.torque(),
            full_scale=self.full_scale.torque(),
            expanded_uncertainty_pct=self.expanded_uncertainty_pct,
            coverage_factor=self.coverage_factor,
            certificate=self.certificate,
            calibrated_on=self.calibrated_on,
            due_on=self.due_on,
            registered_at=now,
        )


class TesterChangeInput(Input):
    """What to change about a tester, e.g. after its calibration; what is left out stays."""

    model: Line | None = Unchanged()
    lowest: PositiveTorqueInput = Unchanged()
    full_scale: PositiveTorqueInput = Unchanged()
    expanded_uncertainty_pct: ExpandedUncertaintyPct = Unchanged()
    coverage_factor: CoverageFactor = Unchanged()
    certificate: Line = Unchanged()
    calibrated_on: date = Unchanged()
    due_on: date = Unchanged()

    def applied_to(self, tester: records.Tester) -> records.Tester:
        """The tester as it should become; its version is the store's business."""
        changes: dict[str, Any] = {name: getattr(self, name) for name in self.model_fields_set}
        for name, value in changes.items():
            if isinstance(value, TorqueInput):
                changes[name] = value.torque()
        return dataclasses.replace(tester, **changes)


class TesterAnswer(Answer):
    """A tester; `version` rises with every change."""

    serial: str
    model: str | None
    lowest: TorqueAnswer
    full_scale: TorqueAnswer
    expanded_uncertainty_pct: float
    coverage_factor: float
    certificate: str
    calibrated_on: date
    due_on: date
    registered_at: UtcInstant
    version: int

    @classmethod
    def of(cls, tester: records.Tester) -> Self:
        return cls(
            serial=tester.serial,
            model=tester.model,
            lowest=TorqueAnswer.of(tester.lowest),
            full_scale=TorqueAnswer.of(tester.full_scale),
            expanded_uncertainty_pct=tester.expanded_uncertainty_pct,
            coverage_factor=tester.coverage_factor,
            certificate=tester.certificate,
            calibrated_on=tester.calibrated_on,
            due_on=tester.due_on,
            registered_at=tester.registered_at,
            version=tester.version,
        )


class TesterPage(Answer):
    """Testers in order of their serials."""

    items: tuple[TesterAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")
