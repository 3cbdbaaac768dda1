"""Suspect work in sentences that a lead technician understands."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.numerals import chance, number
from service.frames import date_of_day
from service.wording import DIRECTIONS

if TYPE_CHECKING:
    from analysis.traceability import Crossing, TracedJob
    from service.suspect_work import SuspectWork


def trace_in_words(
    wrench: str,
    work: "SuspectWork",
    held: "Sequence[TracedJob]",
    recall_above: float,
    time_zone: str,
) -> str:
    """Since when the wrench was probably outside, how much of its work was, and what to look at."""
    stretch = work.trace.stretch
    begin, end = (date_of_day(day, time_zone) for day in (stretch.begin_day, stretch.end_day))
    found = f"found outside on {end}" if stretch.found_out else "all its work up to now"
    since = "found inside last" if stretch.last_good else "never found inside, first checked"
    crossed = _crossed(work.trace.crossings, time_zone, found_out=stretch.found_out is not None)
    return (
        f"{wrench} {DIRECTIONS[work.direction]}: {found}, {since} on {begin}. {crossed} "
        f"{_made(work)}{_to_look_at(work, held, recall_above)}"
    )


def _crossed(crossings: "Sequence[Crossing]", time_zone: str, *, found_out: bool) -> str:
    """Of the wrench's own deviation; scatter may take a reading out earlier, or alone."""
    anywhere = crossings[-1]
    if anywhere.quantile_days is None or anywhere.never > 0.9:
        words = (
            "Its own deviation, without hand and scatter, most likely stayed inside its limits at "
            f"every target ({chance(anywhere.never)} chance)"
        )
        return words + ("; scatter took readings out." if found_out else ".")
    low, middle, high = (date_of_day(anywhere.quantile_days[i], time_zone) for i in (0, 2, 4))
    words = f"{chance(1 - anywhere.never)} chance that its own deviation, without hand and scatter,"
    words += f" left its limits at some target, about {middle} (90 %: {low} to {high})"
    if anywhere.already >= 0.05:
        words += f"; {chance(anywhere.already)} that it was outside from the beginning"
    return words + "."


def _made(work: "SuspectWork") -> str:
    if not work.pulls:
        return "No pull is recorded in between."
    pulls, jobs = work.made, len(work.trace.jobs)
    return (
        f"Of {pulls:,} recorded {'pull' if pulls == 1 else 'pulls'} of {jobs:,} "
        f"{'job' if jobs == 1 else 'jobs'} in between, {_number(work.trace.expected)} were outside "
        "by this reckoning."
    )


def _number(expected: float) -> str:
    return "fewer than 0.1" if expected < 0.1 else f"about {number(expected, 2)}"


def _to_look_at(work: "SuspectWork", held: "Sequence[TracedJob]", recall_above: float) -> str:
    if not work.pulls:
        return ""
    if not held:
        return (
            f" No job has a chance of {chance(recall_above)} or more that one of its pulls was "
            "outside; that declares none of them safe."
        )
    words = f" Look at {len(held):,} of the jobs"
    judged = [job for job in held if not job.not_judged and job.probability is not None]
    if judged:
        words += f", first {judged[0].job} ({chance(judged[0].probability or 0.0)} chance)"
    unjudged = len(held) - len(judged)
    if unjudged:
        words += (
            f"; {unjudged:,} {'has a pull' if unjudged == 1 else 'have pulls'} where nothing is "
            "stated of what the wrench delivers"
        )
    return words + "."
