"""Wrenches: registering, changing, taking out of service and back."""

import dataclasses
from datetime import datetime
from typing import Annotated, Any, Final, Self

from pydantic import Field, StringConstraints

from analysis.vocabulary import Direction, Mechanism
from service import care, records
from service.records import Indication, ServiceDecision, ServiceStatus
from service.schemas.base import (
    AngleDeg,
    Answer,
    Input,
    Line,
    Reason,
    Unchanged,
    UtcInstant,
)
from service.schemas.tolerance import MpdAnswer, MpdInput
from service.schemas.torque import PositiveTorqueInput, TorqueAnswer, TorqueInput

# A serial is part of paths: letters, digits and a few signs, no blank at either end.
SERIAL_PATTERN: Final = r"^[A-Za-z0-9](?:[A-Za-z0-9 ._~+:-]{0,62}[A-Za-z0-9])?$"
Serial = Annotated[
    str,
    StringConstraints(min_length=1, max_length=64, pattern=SERIAL_PATTERN),
    Field(description="The serial on the device; letters are told apart by case."),
]


class AngleInput(Input):
    """What the wrench states about the angles it shows: a limit in degrees, in %, or both."""

    mpd_deg: Annotated[float, Field(gt=0, le=90)] | None = Field(
        default=None,
        description="± degrees. Where both limits are stated the larger counts (from memory).",
    )
    mpd_pct: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="± % of the target angle."
    )
    resolution_deg: Annotated[float, Field(gt=0, le=90)] | None = None
    highest_deg: AngleDeg | None = Field(
        default=None, description="The largest angle it counts in one step."
    )

    def performance(self) -> records.AnglePerformance:
        return records.AnglePerformance(
            mpd_deg=self.mpd_deg,
            mpd_pct=self.mpd_pct,
            resolution_deg=self.resolution_deg,
            highest_deg=self.highest_deg,
        )


class AngleAnswer(Answer):
    """What the wrench states about the angles it shows."""

    mpd_deg: float | None
    mpd_pct: float | None
    resolution_deg: float | None
    highest_deg: float | None

    @classmethod
    def of(cls, angle: records.AnglePerformance) -> Self:
        return cls(
            mpd_deg=angle.mpd_deg,
            mpd_pct=angle.mpd_pct,
            resolution_deg=angle.resolution_deg,
            highest_deg=angle.highest_deg,
        )


class WrenchInput(Input):
    """A wrench to register."""

    serial: Serial
    mechanism: Mechanism
    indication: Indication
    model: Line | None = None
    lowest: PositiveTorqueInput = Field(description="Lowest marked value.")
    full_scale: PositiveTorqueInput = Field(description="Highest marked value.")
    mpd_clockwise: MpdInput | None = Field(
        default=None, description="Leave out where the wrench has no stated tolerance that way."
    )
    mpd_counter_clockwise: MpdInput | None = Field(
        default=None, description="Leave out where the wrench has no stated tolerance that way."
    )
    resolution: PositiveTorqueInput | None = None
    drive: Line | None = Field(default=None, description="Such as 1/2 in.")
    angle: AngleInput | None = Field(
        default=None, description="Leave out where the wrench measures no angle."
    )

    def record(self, now: datetime) -> records.Wrench:
        return records.Wrench(
            serial=self.serial,
            mechanism=self.mechanism,
            indication=self.indication,
            model=self.model,
            lowest=self.lowest.torque(),
            full_scale=self.full_scale.torque(),
            mpd_clockwise=self.mpd_clockwise.mpd() if self.mpd_clockwise else None,
            mpd_counter_clockwise=(
                self.mpd_counter_clockwise.mpd() if self.mpd_counter_clockwise else None
            ),
            resolution=self.resolution.torque() if self.resolution else None,
            drive=self.drive,
            angle=self.angle.performance() if self.angle else None,
            registered_at=now,
        )


class ServiceInput(Input):
    """Taking a wrench out of service, or releasing it; the reason is kept."""

    status: ServiceStatus
    reason: Reason


class WrenchChangeInput(Input):
    """What to change about a wrench: what is left out stays, null clears what may be empty."""

    mechanism: Mechanism = Unchanged()
    indication: Indication = Unchanged()
    model: Line | None = Unchanged()
    lowest: PositiveTorqueInput = Unchanged()
    full_scale: PositiveTorqueInput = Unchanged()
    mpd_clockwise: MpdInput | None = Unchanged()
    mpd_counter_clockwise: MpdInput | None = Unchanged()
    resolution: PositiveTorqueInput | None = Unchanged()
    drive: Line | None = Unchanged()
    angle: AngleInput | None = Unchanged()
    service: ServiceInput = Unchanged()

    @property
    def releases(self) -> bool:
        """Whether it puts the wrench in service."""
        return (
            "service" in self.model_fields_set and self.service.status is ServiceStatus.IN_SERVICE
        )

    def applied_to(self, wrench: records.Wrench, now: datetime) -> records.Wrench:
        """The wrench as it should become; its version is the store's business."""
        changes: dict[str, Any] = {
            name: _as_record(getattr(self, name)) for name in self.model_fields_set - {"service"}
        }
        if "service" in self.model_fields_set:
            status, before = self.service.status, wrench.decision
            changes["decision"] = ServiceDecision(
                status=status,
                reason=self.service.reason,
                since=before.since if status is before.status else now,
            )
        return dataclasses.replace(wrench, **changes)


def _as_record(value: object) -> object:
    if isinstance(value, TorqueInput):
        return value.torque()
    if isinstance(value, MpdInput):
        return value.mpd()
    if isinstance(value, AngleInput):
        return value.performance()
    return value


class QuarantineAnswer(Answer):
    """A check found the wrench out, and no check as left in its direction has passed since."""

    direction: Direction
    check: str = Field(description="The check that found it out.")
    since: UtcInstant = Field(description="When that check was performed.")
    in_words: str
    remedy: str


class ServiceAnswer(Answer):
    """Whether the wrench may be used, why, and since when.

    Out of service is what a person took out, and what its own checks keep in quarantine.
    """

    status: ServiceStatus
    reason: str | None
    since: UtcInstant | None
    quarantine: tuple[QuarantineAnswer, ...] = Field(
        description="Empty: none of its checks keeps it out of service."
    )

    @classmethod
    def of(cls, wrench: records.Wrench) -> Self:
        return cls(
            status=wrench.status,
            reason=wrench.status_reason,
            since=wrench.status_since,
            quarantine=tuple(
                QuarantineAnswer(
                    direction=each.direction,
                    check=each.check,
                    since=each.since,
                    in_words=f"{wrench.serial} is out of service: {each.reason}.",
                    remedy=each.remedy,
                )
                for each in wrench.quarantine
            ),
        )


class CareAnswer(Answer):
    """One thing to do for the wrench, and when."""

    when: str
    do: str
    source: str


class WrenchAnswer(Answer):
    """A wrench; `version` rises with every change."""

    serial: str
    mechanism: Mechanism
    indication: Indication
    model: str | None
    lowest: TorqueAnswer
    full_scale: TorqueAnswer
    mpd_clockwise: MpdAnswer | None
    mpd_counter_clockwise: MpdAnswer | None
    resolution: TorqueAnswer | None
    drive: str | None
    angle: AngleAnswer | None = Field(description="null: it measures no angle.")
    service: ServiceAnswer
    registered_at: UtcInstant
    version: int

    @classmethod
    def of(cls, wrench: records.Wrench) -> Self:
        def mpd(limit: records.MaximumPermissibleDeviation | None) -> MpdAnswer | None:
            return MpdAnswer.of(limit) if limit else None

        return cls(
            serial=wrench.serial,
            mechanism=wrench.mechanism,
            indication=wrench.indication,
            model=wrench.model,
            lowest=TorqueAnswer.of(wrench.lowest),
            full_scale=TorqueAnswer.of(wrench.full_scale),
            mpd_clockwise=mpd(wrench.mpd_clockwise),
            mpd_counter_clockwise=mpd(wrench.mpd_counter_clockwise),
            resolution=TorqueAnswer.of(wrench.resolution) if wrench.resolution else None,
            drive=wrench.drive,
            angle=AngleAnswer.of(wrench.angle) if wrench.angle else None,
            service=ServiceAnswer.of(wrench),
            registered_at=wrench.registered_at,
            version=wrench.version,
        )


class WrenchWithCareAnswer(WrenchAnswer):
    """A wrench, and how to treat it."""

    care: tuple[CareAnswer, ...]

    @classmethod
    def of(cls, wrench: records.Wrench) -> Self:
        return cls(
            **dict(WrenchAnswer.of(wrench)),
            care=tuple(
                CareAnswer(when=prompt.when, do=prompt.do, source=care.SOURCE)
                for prompt in care.prompts_for(wrench)
            ),
        )


class WrenchPage(Answer):
    """Wrenches in order of their serials."""

    items: tuple[WrenchAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")
