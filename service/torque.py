"""Torque as people write it, and in N·m: the only place where units are converted.

Text from users never reaches pint: it reads `Nm` as a unit of yarn and `J` as a torque. A closed
table of spellings maps to six units; pint supplies each unit's factor once.
"""

from dataclasses import dataclass
from functools import cache
from threading import Lock
from typing import Final

UNITS: Final = {
    # code in the API: (name for pint, UCUM code)
    "N.m": ("newton * meter", "N.m"),
    "cN.m": ("centinewton * meter", "cN.m"),
    "ft.lbf": ("foot * force_pound", "[ft_i].[lbf_av]"),
    "in.lbf": ("inch * force_pound", "[in_i].[lbf_av]"),
    "kgf.m": ("kilogram_force * meter", "kgf.m"),
    "ozf.in": ("force_ounce * inch", "[oz_av].[g].[in_i]"),
}

_SPELLINGS: Final = {
    "N.m": ("nm", "n.m", "n*m", "n-m", "newton-metre", "newton-meter"),
    "cN.m": ("cnm", "cn.m", "cn*m", "cn-m"),
    "ft.lbf": ("ftlbf", "ft.lbf", "ft-lbf", "ftlb", "ft-lb", "ft.lb", "ft-lbs", "lbf.ft",
               "lbf-ft", "lb-ft", "lb.ft", "lbft"),
    "in.lbf": ("inlbf", "in.lbf", "in-lbf", "inlb", "in-lb", "in.lb", "in-lbs", "lbf.in",
               "lbf-in", "lb-in", "lb.in", "lbin"),
    "kgf.m": ("kgfm", "kgf.m", "kgf-m", "kgf*m", "kg-m", "kgm", "kg.m"),
    "ozf.in": ("ozfin", "ozf.in", "ozf-in", "ozin", "oz-in", "oz.in", "in-oz", "in.ozf"),
}  # fmt: skip

_CODE_OF: Final = {spelling: code for code, words in _SPELLINGS.items() for spelling in words}

# pint reads its definitions at its first use, and a second thread would find half of them.
_FIRST_CONVERSION: Final = Lock()


class UnknownTorqueUnit(ValueError):  # noqa: N818 - a finding about the text
    """A unit that is not in the table; the message lists what is."""

    def __init__(self, text: str) -> None:
        super().__init__(
            f"{text!r} is not a torque unit this service knows; use one of {', '.join(UNITS)}"
        )
        self.text = text


@dataclass(frozen=True, slots=True)
class Torque:
    """A torque as received (`value`, `unit`) and in N·m (`nm`)."""

    value: float
    unit: str
    nm: float

    @classmethod
    def of(cls, value: float, unit: str) -> "Torque":
        """Torque from a value and a unit in any accepted spelling; raises UnknownTorqueUnit."""
        code = unit_code(unit)
        return cls(value=value, unit=code, nm=value * newton_metres_per(code))

    def times(self, factor: float) -> "Torque":
        """So many times this torque, in the same unit."""
        return Torque(self.value * factor, self.unit, self.nm * factor)

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


def unit_code(text: str) -> str:
    """The API's code for a spelling of a torque unit; raises UnknownTorqueUnit."""
    if text in UNITS:
        return text
    spelling = text.strip().casefold().replace("·", ".").replace("⋅", ".").replace(" ", "-")
    try:
        return _CODE_OF[spelling]
    except KeyError:
        raise UnknownTorqueUnit(text) from None


@cache
def newton_metres_per(code: str) -> float:
    """N·m in one of the unit, by pint."""
    pint_name, _ = UNITS[code]
    with _FIRST_CONVERSION:
        import pint  # slow to import, and needed only at the first conversion of each unit

        return float(pint.Quantity(1, pint_name).to("newton * meter").magnitude)
