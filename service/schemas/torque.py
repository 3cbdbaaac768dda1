"""Torque over the wire: always a value and a unit, never a bare number."""

from typing import Annotated, Final, Self

from pydantic import AfterValidator, Field
from pydantic.json_schema import WithJsonSchema
from pydantic_core import PydanticCustomError

from service.schemas.base import Answer, Input
from service.torque import UNITS, Torque, UnknownTorqueUnit, unit_code

# Far beyond any hand tool; keeps every conversion finite.
_LARGEST: Final = 1e6


def _known(text: str) -> str:
    try:
        return unit_code(text)
    except UnknownTorqueUnit as error:
        raise PydanticCustomError("torque_unit", "{message}", {"message": str(error)}) from None


TorqueUnit = Annotated[
    str,
    AfterValidator(_known),
    WithJsonSchema(
        {
            "type": "string",
            "enum": list(UNITS),
            "description": (
                "One of these codes; usual spellings such as Nm, ft-lb or in-lb are understood too."
            ),
        }
    ),
]
TorqueValue = Annotated[float, Field(ge=-_LARGEST, le=_LARGEST)]


class TorqueInput(Input):
    """A torque: value and unit."""

    value: TorqueValue
    unit: TorqueUnit

    def torque(self) -> Torque:
        return Torque.of(self.value, self.unit)


class PositiveTorqueInput(TorqueInput):
    """A torque above zero."""

    value: Annotated[float, Field(gt=0, le=_LARGEST)]


class TorqueAnswer(Answer):
    """A torque as it was received, and in newton metres."""

    value: float
    unit: str = Field(description="Code of the unit, one of " + ", ".join(UNITS) + ".")
    ucum: str = Field(description="The same unit in the Unified Code for Units of Measure.")
    newton_metres: float

    @classmethod
    def of(cls, torque: Torque) -> Self:
        return cls(
            value=torque.value,
            unit=torque.unit,
            ucum=UNITS[torque.unit][1],
            newton_metres=torque.nm,
        )
