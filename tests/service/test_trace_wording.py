"""Suspect work in sentences: each begins with a capital, agrees in number, and claims no more than
its chance.
"""

import re

import pytest
from sample_records import a_pull

from analysis.traceability import Crossing, Stretch, Trace, TracedJob, TracedPull
from analysis.vocabulary import Direction
from service.frames import instant_of_day
from service.suspect_work import SuspectWork
from service.trace_wording import trace_in_words

BEGIN, END = 20_400.0, 20_500.0  # 2025-11-08 and 2026-02-16


def a_job(name="W-1", probability=0.43, not_judged=0, pulls=1):
    return TracedJob(name, pulls, probability, 0.4, not_judged)


ONE_JOB = (a_job(),)


def words(
    jobs=ONE_JOB, held=None, never=0.02, already=0.0, found_out="b", last_good="a", above=0.02
):
    quantiles = None if never == 1 else (20_410.0, 20_430.0, 20_450.0, 20_460.0, 20_470.0)
    crossing = Crossing(None, None, already, never, None, quantiles, ())
    stretch = Stretch(0, 1, last_good, found_out, BEGIN, END)
    pulls = tuple(
        (a_pull(job=job.job, count=job.pulls), TracedPull("p", 0.1, 0.1, 0.0, 4.0, 0.1))
        for job in jobs
    )
    expected = sum(job.expected for job in jobs)
    trace = Trace(stretch, (), tuple(jobs), (crossing,), expected, 0, 1024)
    work = SuspectWork(
        Direction.CLOCKWISE, trace, pulls, instant_of_day(BEGIN), instant_of_day(END)
    )
    return trace_in_words("SP-3", work, jobs if held is None else held, above, "UTC")


def test_a_wrench_found_outside_with_work_to_look_at():
    jobs = [a_job(pulls=8), a_job("W-2", 0.001, pulls=4)]
    assert words(jobs, held=jobs[:1], already=0.12) == (
        "SP-3 clockwise: found outside on 2026-02-16, last found inside on 2025-11-08. Its own "
        "deviation, without hand and scatter, left its limits at some target (98 % chance), about "
        "2025-12-28 (90 %: 2025-11-18 to 2026-01-17); the chance is 12 % that it was outside from "
        "the beginning. Of 12 recorded pulls of 2 jobs in between, about 0.8 will have been "
        "outside by this reckoning. Look at 1 of the 2 jobs, W-1 (43 % chance)."
    )


@pytest.mark.parametrize(
    ("found_out", "last_good", "opening"),
    [
        ("b", "a", "found outside on 2026-02-16, last found inside on 2025-11-08."),
        (
            "b",
            None,
            "found outside on 2026-02-16, and by no check inside since the first, on 2025-11-08.",
        ),
        (None, "a", "all its work since 2025-11-08, when a check last found it inside."),
        (
            None,
            None,
            "all its work since its first check, on 2025-11-08; no check has found it inside.",
        ),
    ],
)
def test_the_stretch_is_told_by_what_bounds_it(found_out, last_good, opening):
    said = words(found_out=found_out, last_good=last_good)
    assert said.startswith(f"SP-3 clockwise: {opening} Its own deviation")
    assert ("in between" if found_out else "since then") in said


@pytest.mark.parametrize(
    ("never", "claim"),
    [
        (0.0001, "left its limits at some target (more than 99.9 % chance), about"),
        (0.5, "may have left its limits at some target (50 % chance), about"),
        (0.95, "most likely stayed inside its limits at every target (95 % chance); scatter took"),
        (1, "most likely stayed inside its limits at every target (more than 99.9 % chance);"),
    ],
)
def test_no_more_is_claimed_than_its_chance(never, claim):
    assert f"Its own deviation, without hand and scatter, {claim}" in words(never=never)


@pytest.mark.parametrize(
    ("jobs", "held", "close"),
    [
        ((), (), "No pull is recorded in between."),
        ((a_job(),), None, "Look at 1 job, W-1 (43 % chance)."),
        ((a_job(), a_job("W-2")), None, "Look at 2 jobs, first W-1 (43 % chance)."),
        (
            (a_job(),),
            (),
            "or more that one of its pulls was outside; that declares none of them safe.",
        ),
        (
            (a_job(not_judged=1),),
            None,
            "Look at 1 job; it has a pull where nothing is stated of what the wrench delivers.",
        ),
        (
            (a_job("W-3", not_judged=1), a_job("W-2", not_judged=3)),
            None,
            "Look at 2 jobs; they have pulls where nothing is stated of what the wrench delivers.",
        ),
        (
            (a_job("W-3", not_judged=1), a_job("W-2")),
            None,
            "1 job has a pull where nothing is stated of what the wrench delivers.",
        ),
    ],
    ids=["no work", "one", "two", "none held", "one unjudged", "only unjudged", "both"],
)
def test_what_to_look_at_agrees_in_number(jobs, held, close):
    assert words(jobs, held).endswith(f" {close}")


def test_a_threshold_is_told_as_the_number_it_is():
    assert "No job has a chance of 100 % or more that" in words(held=(), above=1.0)
    assert "No job has a chance of 2 % or more that" in words(held=(), above=0.02)


@pytest.mark.parametrize("never", [0.02, 0.5, 0.95])
@pytest.mark.parametrize("found_out", ["b", None])
@pytest.mark.parametrize("jobs", [(), (a_job(),), (a_job(not_judged=2),)])
def test_every_sentence_begins_with_a_capital(never, found_out, jobs):
    for sentence in re.split(r"(?<=[a-z)\d])\. ", words(jobs, never=never, found_out=found_out)):
        assert sentence[0].isupper()
