"""Suspect work in sentences that a lead technician understands."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.numerals import chance, counted, number, percent
from service.frames import date_of_day
from service.wording import DIRECTIONS

if TYPE_CHECKING:
    from analysis.traceability import Crossing, TracedJob
    from service.suspect_work import SuspectWork

_LIKELY = 0.9  # below it, the sentence says that the wrench may have left its limits
_TOLD = 0.05  # a chance worth a clause of its own


def trace_in_words(
    wrench: str,
    work: "SuspectWork",
    held: "Sequence[TracedJob]",
    recall_above: float,
    time_zone: str,
) -> str:
    """Since when the wrench was probably outside, how much of its work was, and what to look at."""
    found_out = work.trace.stretch.found_out is not None
    sentences = [
        f"{wrench} {DIRECTIONS[work.direction]}: {_stretch(work, time_zone)}.",
        _crossed(work.trace.crossings[-1], time_zone, found_out=found_out),
        _made(work, "in between" if found_out else "since then"),
    ]
    if work.pulls:
        sentences.append(_to_look_at(work, held, recall_above))
    return " ".join(sentences)


def _stretch(work: "SuspectWork", time_zone: str) -> str:
    stretch = work.trace.stretch
    begin, end = (date_of_day(day, time_zone) for day in (stretch.begin_day, stretch.end_day))
    if stretch.found_out is None:
        if stretch.last_good is None:
            return f"all its work since its first check, on {begin}; no check has found it inside"
        return f"all its work since {begin}, when a check last found it inside"
    if stretch.last_good is None:
        return f"found outside on {end}, and by no check inside since the first, on {begin}"
    return f"found outside on {end}, last found inside on {begin}"


def _crossed(anywhere: "Crossing", time_zone: str, *, found_out: bool) -> str:
    """Of the wrench's own deviation; scatter may take a reading out earlier, or alone."""
    subject = "Its own deviation, without hand and scatter,"
    if anywhere.quantile_days is None or anywhere.never > _LIKELY:
        words = (
            f"{subject} most likely stayed inside its limits at every target "
            f"({chance(anywhere.never)} chance)"
        )
        return words + ("; scatter took readings out." if found_out else ".")
    low, middle, high = (date_of_day(anywhere.quantile_days[i], time_zone) for i in (0, 2, 4))
    left = "left" if anywhere.never < 1 - _LIKELY else "may have left"
    words = (
        f"{subject} {left} its limits at some target ({chance(1 - anywhere.never)} chance), about "
        f"{middle} (90 %: {low} to {high})"
    )
    if anywhere.already >= _TOLD:
        words += (
            f"; the chance is {chance(anywhere.already)} that it was outside from the beginning"
        )
    return words + "."


def _made(work: "SuspectWork", when: str) -> str:
    if not work.pulls:
        return f"No pull is recorded {when}."
    return (
        f"Of {counted(work.made, 'recorded pull')} of {counted(len(work.trace.jobs), 'job')} "
        f"{when}, {_number(work.trace.expected)} will have been outside by this reckoning."
    )


def _number(expected: float) -> str:
    return "fewer than 0.1" if expected < 0.1 else f"about {number(expected, 2)}"


def _to_look_at(work: "SuspectWork", held: "Sequence[TracedJob]", recall_above: float) -> str:
    if not held:
        return (
            f"No job has a chance of {percent(100 * recall_above)} or more that one of its pulls "
            "was outside; that declares none of them safe."
        )
    jobs, among = counted(len(held), "job"), counted(len(work.trace.jobs), "job")
    words = f"Look at {jobs}" if jobs == among else f"Look at {len(held):,} of the {among}"
    judged = [job for job in held if not job.not_judged and job.probability is not None]
    if judged:
        first = "" if len(held) == 1 else "first "
        words += f", {first}{judged[0].job} ({chance(judged[0].probability or 0.0)} chance)"
    unjudged = len(held) - len(judged)
    if unjudged:
        which = counted(unjudged, "job") if judged else ("it" if unjudged == 1 else "they")
        verb = "has a pull" if unjudged == 1 else "have pulls"
        words += f"; {which} {verb} where nothing is stated of what the wrench delivers"
    return words + "."
