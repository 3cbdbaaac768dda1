"""What the analyses of one wrench come to, in the sentences of its sheet and of its charts."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from analysis.numerals import chance, counted, number
from service.care import CarePrompt
from service.frames import date_of_day
from service.wording import DIRECTIONS, torque_in_words

if TYPE_CHECKING:
    from analysis.capability import Indices
    from analysis.drift import Jump, Rate, Segment
    from analysis.scatter_law import ScatterLaw
    from service.records import Wrench
    from service.wrench_sheet import SheetPlace, WrenchAnalysis

_TRUE_BELOW: Final = 0.005  # % of reading; it would be written as zero
_CLEAR: Final = 0.05
_HUNDREDTHS_BELOW: Final = 0.0995


def off_in_words(deviation_pct: float) -> str:
    """A deviation by what it means at the fastener, e.g. "0.9 % low"."""
    if abs(deviation_pct) < _TRUE_BELOW:
        return "true"
    return f"{_pct(abs(deviation_pct))} {'low' if deviation_pct > 0 else 'high'}"


def between_in_words(lower_pct: float, upper_pct: float) -> str:
    """An interval of deviations, e.g. "0.3 % high to 0.7 % low", or "0.3 to 0.7 % low"."""
    if lower_pct > 0 or upper_pct < 0:
        near, far = sorted((abs(lower_pct), abs(upper_pct)))
        return f"{_plain(near)} to {_pct(far)} {'low' if lower_pct > 0 else 'high'}"
    return f"{off_in_words(lower_pct)} to {off_in_words(upper_pct)}"


def rate_in_words(rate: "Rate") -> str:
    """E.g. "0.5 % a year towards low"; a rate whose sign is open is said to be so."""
    if rate.tail_probability > _CLEAR:
        return "no clear drift"
    return f"{_pct(abs(rate.per_year))} a year {_towards(rate.per_year)}"


def nearest_limit(analysis: "WrenchAnalysis") -> "SheetPlace":
    """The target at which the wrench uses up most of its limit."""
    return max(analysis.places, key=lambda each: abs(each.drift.deviation_pct) / each.mpd_pct)


def drift_in_words(wrench: "Wrench", analysis: "WrenchAnalysis") -> str:
    """How far the wrench is off where that counts most, and where it is going."""
    place = nearest_limit(analysis)
    moves = rate_in_words(place.drift.rate)
    going = (
        "with no clear drift" if place.drift.rate.tail_probability > _CLEAR else f"moving {moves}"
    )
    return (
        f"{wrench.serial} {DIRECTIONS[analysis.direction]} is "
        f"{off_in_words(place.drift.deviation_pct)} at {torque_in_words(place.torque)}, "
        f"{going}; its limit there is ±{_pct(place.mpd_pct)}"
    )


def segments_in_words(analysis: "WrenchAnalysis", time_zone: str) -> Iterator[str]:
    """Jumps that nobody logged and adjustments, the newest first."""

    def day(of: float) -> str:
        return date_of_day(of, time_zone).isoformat()

    for jump in reversed(analysis.drift.jumps):
        before, after = jump.between_days
        yield (
            f"Between {day(before)} and {day(after)} it changed at once, and nobody logged why: "
            f"{_jump(jump)}. Nothing is extrapolated across it."
        )
    adjusted = [each for each in analysis.drift.segments if each.begun_by == "adjustment"]
    if adjusted:
        earlier = f", and before that on {', '.join(map(day, _begins(adjusted[-2::-1])))}"
        yield (
            f"It was adjusted on {day(adjusted[-1].begin_day)}"
            f"{earlier if len(adjusted) > 1 else ''}; "
            f"{counted(adjusted[-1].checks, 'check')} since."
        )


def _begins(segments: "Sequence[Segment]") -> list[float]:
    return [segment.begin_day for segment in segments]


def _jump(jump: "Jump") -> str:
    return (
        f"{_pct(abs(jump.gain_pct))} of every reading {_towards(jump.gain_pct)}, and "
        f"{_pct(abs(jump.offset_pct_of_full_scale))} of full scale "
        f"{_towards(jump.offset_pct_of_full_scale)}"
    )


def evidence_in_words(analysis: "WrenchAnalysis") -> str:
    """What forecast and verdict rest on."""
    rests = analysis.drift.evidence
    who = (
        "values assumed of its kind, since its family is too young"
        if rests.source == "defaults"
        else f"{counted(rests.family_wrenches, 'wrench')} of its family"
    )
    return (
        f"This rests on {counted(rests.checks, 'check')} of its own "
        f"({counted(rests.readings, 'reading')}) and on {who}; its own readings carry "
        f"{number(100 * rests.weight_of_own_data, 2)} % of what is known of its drift."
    )


def capability_in_words(wrench: "Wrench", analysis: "WrenchAnalysis") -> str:
    """Where in the range the wrench is least capable, and how capable it is there."""
    worst = min(analysis.curve, key=lambda each: each.ppk.value)
    at = torque_in_words(wrench.full_scale.times(worst.x))
    return (
        f"{wrench.serial} {DIRECTIONS[analysis.direction]} is least capable at {at}: Ppk "
        f"{number(worst.ppk.value, 2)}, {chance(worst.fraction_outside)} of pulls outside the limit"
    )


def index_in_words(indices: "Indices") -> str:
    """E.g. "1.2, at least 0.8"."""
    return f"{number(indices.nearer, 2)}, at least {number(indices.nearer_low, 2)}"


def scatter_in_words(law: "ScatterLaw", lowest: float, inside: int, readings: int) -> str:
    """How much more a reading scatters at the bottom of the range, and whether this wrench does so.

    lowest    lowest marked value / full scale
    inside    how many of its readings lie in the band that should hold 95 % of them
    """
    law_says = (
        f"Readings of its family ({law.family}) scatter by {_pct(scatter_sd_pct(law, lowest))} at "
        f"the lowest mark and by {_pct(scatter_sd_pct(law, 1.0))} at full scale"
    )
    if not readings:
        return law_says
    return f"{law_says}; {inside} of {counted(readings, 'reading')} of its own lie within the band"


def scatter_sd_pct(law: "ScatterLaw", x: float) -> float:
    """SD of one reading at a share of full scale, % of reading."""
    return float((law.rho_pct.sd**2 + (law.alpha_pct.sd / x) ** 2) ** 0.5)


def care_in_words(prompt: CarePrompt) -> str:
    """E.g. "After use: wind it down to its lowest mark."."""
    return f"{prompt.when[:1].upper()}{prompt.when[1:]}: {prompt.do}."


def _pct(value: float) -> str:
    return f"{_plain(value)} %"


def _plain(value: float) -> str:
    # Nothing finer than a hundredth of a percent is known of a wrench.
    return number(value, 1 if value < _HUNDREDTHS_BELOW else 2)


def _towards(change_pct: float) -> str:
    return "towards low" if change_pct > 0 else "towards high"
