"""The scale of a wrench as a ruler: its marks, its targets, and where it may be trusted."""

from dataclasses import dataclass

from analysis.numerals import number
from service.records import Wrench
from service.torque import Torque
from service.wrench_sheet import WrenchAnalysis

_FEWEST_MARKS = 4
_STEPS = (1, 2, 2.5, 5, 10)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on the ruler; `at` in % of full scale."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Scale:
    """A ruler from nothing to full scale; places in % of full scale.

    lowest    lowest marked value
    trusted   from where to where; None: nowhere
    doubt     95 % interval of the lower end of `trusted`; None: not known
    targets   planned or measured
    """

    marks: tuple[Mark, ...]
    lowest: float
    trusted: tuple[float, float] | None
    doubt: tuple[float, float] | None
    targets: tuple[float, ...]


def scale_of(wrench: Wrench, found: WrenchAnalysis) -> Scale:
    window = found.window
    trusted = doubt = None
    if window.lowest is not None and window.highest is not None:
        trusted = 100 * window.lowest, 100 * window.highest
        if window.floor_lower is not None:
            upper = 1.0 if window.floor_upper is None else window.floor_upper
            doubt = 100 * window.floor_lower, 100 * upper
    return Scale(
        marks=tuple(_marks(wrench.full_scale)),
        lowest=100 * wrench.lowest.nm / wrench.full_scale.nm,
        trusted=trusted,
        doubt=doubt,
        targets=tuple(100 * place.drift.x for place in found.places),
    )


def _marks(full_scale: Torque) -> list[Mark]:
    """Round values of the wrench's own unit, not so many that their labels touch."""
    step = _step(full_scale.value)
    count = int(full_scale.value / step + 1e-9)
    return [Mark(100 * step * i / full_scale.value, number(step * i, 4)) for i in range(count + 1)]


def _step(full: float) -> float:
    from math import floor, log10

    power = 10.0 ** floor(log10(full / _FEWEST_MARKS))
    return max(step * power for step in _STEPS if step * power <= full / _FEWEST_MARKS)
