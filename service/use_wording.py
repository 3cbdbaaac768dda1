"""The cycles of a wrench since its last check, and what tells them, in a sentence."""

from typing import TYPE_CHECKING

from analysis.numerals import counted, number
from analysis.use_since import UseSource
from service.frames import date_of_day

if TYPE_CHECKING:
    from analysis.use_since import UseSince


def use_in_words(use: "UseSince", time_zone: str) -> str:
    """How many cycles since the last check, from which source."""
    read, recorded = _cycles(use.read), counted(round(use.recorded), "recorded pull")
    by_counter = f"{read} by its counter" if use.read else ""
    match use.source:
        case UseSource.COUNTER:
            return f"{read[0].upper()}{read[1:]} by its counter since that check."
        case UseSource.PULLS:
            return f"{_sum(by_counter, recorded)} since that check."
        case UseSource.PACE_ASSUMED:
            pace = f"{number(use.cycles_per_day or 0.0, 2)} a day"
            if (use.cycles or 0.0) < 1.0:
                return f"Less than one cycle assumed since that check, at its pace of {pace}."
            told = by_counter
            if use.recorded:
                begun = date_of_day(use.work.begun_day or 0.0, time_zone)
                told = _sum(by_counter, f"{recorded} since {begun}")
            about = "about" if told else "About"
            assumed = f"{about} {_cycles(use.assumed)} assumed at its pace of {pace}"
            why = "recording began later" if use.recorded else "no work is recorded since"
            return f"{_sum(told, assumed)} since that check, as {why}."
        case UseSource.UNKNOWN:
            least = use.read + use.recorded
            at_least = f", but at least {number(least, 15)}" if least else ""
            return (
                f"The number of cycles since that check is not known{at_least}: neither a counter "
                "nor recorded work tells all of it, and its pace of use is not known."
            )


def _sum(*parts: str) -> str:
    return " and ".join(part for part in parts if part)


def _cycles(count: float) -> str:
    return counted(round(count), "cycle")
