"""Checks of the angles that a wrench shows, as the shop keeps them: never edited, only voided."""

from dataclasses import dataclass
from datetime import datetime

from analysis.vocabulary import CheckKind, Direction
from service.records import Card, Void


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleReading:
    reference_deg: float  # what the reference measured
    indicated_deg: float  # what the wrench showed


@dataclass(frozen=True, slots=True, kw_only=True)
class AnglePoint:
    target_deg: float
    readings: tuple[AngleReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleCheck:
    id: str
    wrench: str  # serial
    kind: CheckKind
    direction: Direction
    performed_at: datetime  # UTC
    tester: str | None  # serial; None only for a card
    operator: str | None
    expanded_uncertainty_deg: float | None  # U of the reference angle; None: not stated
    coverage_factor: float | None  # k of U
    points: tuple[AnglePoint, ...]
    card: Card | None = None  # its uncertainty is of torque, and stays empty here
    replaces: str | None = None  # the voided angle check that this one takes the place of
    void: Void | None = None
    recorded_at: datetime
