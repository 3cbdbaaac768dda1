"""A job of a list: one fastener to be tightened on a day."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from service.criticality import Criticality
from service.torque import Torque

if TYPE_CHECKING:
    from analysis.vocabulary import Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One fastener to be tightened on a day; the angle step is carried along, not judged here."""

    name: str
    torque: Torque
    direction: "Direction"
    angle_deg: float | None
    criticality: Criticality
    on: date
