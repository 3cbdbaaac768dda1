"""The parameters of the error law behind the range study, each named and told."""

from collections.abc import Mapping
from typing import Final, Self

from pydantic import Field

from analysis.range_law import RangeLaw, Spread
from service.schemas.analyses import FromAnalysis
from service.schemas.base import Answer


class SpreadAnswer(FromAnalysis):
    """A number of the law: posterior median (of a share: mean) and central 95 % interval."""

    value: float
    lower: float
    upper: float


# Symbols of the model: g in % of reading (gain), o in % of full scale (offset); 0 a level at the
# first check, 1 a rate a year.
_TOLD: Final[Mapping[str, tuple[str, str]]] = {
    "level_mean": ("{}0", "mean level of the wrenches at their first check"),
    "level_sd": ("sd({}0)", "how their levels differ from wrench to wrench"),
    "rate_mean": ("{}1", "mean drift of the wrenches in a year"),
    "rate_sd": ("sd({}1)", "how their drifts differ from wrench to wrench"),
    "check_sd": ("s_{}", "what one check shares: hand, fixture, seat"),
    "wander_sd": ("w_{}", "how far a wrench wanders in a year beside its drift"),
}
_TERMS: Final = {"gain": ("g", "% of reading"), "offset": ("o", "% of full scale")}


class LawParameterAnswer(Answer):
    """One parameter of d(x, t) = g0 + g1 t + (o0 + o1 t) / x + what varies."""

    name: str
    symbol: str
    in_words: str
    unit: str = Field(description="% of reading (gain) or % of full scale (offset).")
    estimate: SpreadAnswer

    @classmethod
    def all_of(cls, law: RangeLaw) -> tuple[Self, ...]:
        return tuple(cls._of(name, spread) for name, spread in law.parameters().items())

    @classmethod
    def _of(cls, name: str, spread: Spread) -> Self:
        quantity = "_".join(name.split("_")[:2])
        term = "gain" if "_gain" in name else "offset"
        letter, unit = _TERMS[term]
        symbol, words = _TOLD[quantity]
        return cls(
            name=name,
            symbol=symbol.format(letter),
            in_words=f"{term}: {words}",
            unit=unit,
            estimate=SpreadAnswer.model_validate(spread),
        )
