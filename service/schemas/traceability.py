"""Which work to look at once a wrench was found out, and since when it was probably outside."""

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.traceability import Crossing, TracedJob, TracedPull
from analysis.vocabulary import Direction
from service import cautions, records
from service.frames import date_of_day
from service.pull_intake import PullFlag, flags_of
from service.records import Policy
from service.schemas.analyses import (
    AnalysisAnswer,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    by_status,
)
from service.schemas.base import Answer, UtcInstant
from service.schemas.torque import TorqueAnswer
from service.suspect_work import SuspectWork
from service.trace_wording import trace_in_words


class StretchAnswer(Answer):
    """The work looked at: made after `begin`, up to `end`."""

    begin: UtcInstant
    end: UtcInstant
    last_good_check: str | None = Field(
        description="Id of the check that found the wrench inside last; null: none did, so the"
        " stretch begins with the first check that there is."
    )
    found_out_by: str | None = Field(
        description="Id of the check that found it outside; null: up to now was asked for, or no"
        " check found it outside."
    )


class SuspectPullAnswer(Answer):
    """A record of work with its chance of having been outside the limit."""

    pull: str
    job: str
    performed_at: UtcInstant
    torque: TorqueAnswer
    count: int
    probability: float | None = Field(
        description="That one such pull was outside; null: nothing is stated of what the wrench"
        " delivers there."
    )
    too_little: float | None = Field(description="Its part on the side that delivered too little.")
    too_much: float | None = Field(description="Its part on the side that delivered too much.")
    mpd_pct: float | None
    flags: tuple[PullFlag, ...]

    @classmethod
    def of(cls, pull: records.Pull, traced: TracedPull, wrench: records.Wrench) -> Self:
        return cls(
            pull=pull.id,
            job=pull.job,
            performed_at=pull.performed_at,
            torque=TorqueAnswer.of(pull.torque),
            count=pull.count,
            probability=traced.probability,
            too_little=traced.low,
            too_much=traced.high,
            mpd_pct=traced.mpd_pct,
            flags=flags_of(pull, wrench),
        )


class JobAnswer(Answer):
    """A job whose work should be looked at."""

    job: str
    pulls: int = Field(description="Made in the stretch with this wrench in this direction.")
    probability: float | None = Field(
        description="That at least one of them was outside: over the ways that the wrench may have"
        " taken, so that pulls which share its state are not counted as independent. null: none"
        " can be judged."
    )
    expected_outside: float
    not_judged: int = Field(description="Pulls that nothing can be said of.")

    @classmethod
    def of(cls, job: TracedJob) -> Self:
        return cls(
            job=job.job,
            pulls=job.pulls,
            probability=job.probability,
            expected_outside=job.expected,
            not_judged=job.not_judged,
        )


class BelowAnswer(Answer):
    """The jobs below the threshold; they are not thereby declared safe."""

    jobs: int
    highest_probability: float | None


class CrossedByAnswer(Answer):
    """Probability that the level had left the limits by then."""

    on: date
    probability: float


class CrossingAnswer(Answer):
    """When the wrench's own deviation, without hand and scatter, left its limits."""

    torque: TorqueAnswer | None = Field(description="null: at any of them.")
    mpd_pct: float | None
    outside_from_the_beginning: float = Field(
        description="Probability that it was outside, by its own deviation, when the stretch began."
    )
    never: float = Field(
        description="Probability that its own deviation stayed inside, so that hand and scatter"
        " alone took readings out."
    )
    mean_on: date | None = Field(
        description="Mean day of leaving, where it left; null: it never did on any way drawn."
    )
    between: tuple[date, date] | None = Field(description="90 % range of that day.")
    middle_on: date | None = Field(description="As likely before as after.")
    crossed_by: tuple[CrossedByAnswer, ...] = Field(description="To plot.")

    @classmethod
    def of(cls, crossing: Crossing, full_scale: records.Wrench, time_zone: str) -> Self:
        from service.pull import torque_of

        days = crossing.quantile_days
        return cls(
            torque=(
                None if crossing.x is None else TorqueAnswer.of(torque_of(full_scale, crossing.x))
            ),
            mpd_pct=crossing.mpd_pct,
            outside_from_the_beginning=crossing.already,
            never=crossing.never,
            mean_on=(
                None if crossing.mean_day is None else date_of_day(crossing.mean_day, time_zone)
            ),
            between=(
                None
                if days is None
                else (date_of_day(days[0], time_zone), date_of_day(days[-1], time_zone))
            ),
            middle_on=None if days is None else date_of_day(days[len(days) // 2], time_zone),
            crossed_by=tuple(
                CrossedByAnswer(on=date_of_day(day, time_zone), probability=probability)
                for day, probability in crossing.curve
            ),
        )


class TraceAnswered(Answer):
    """The suspect work of one direction."""

    status: Literal["answered"] = "answered"
    direction: Direction
    in_words: str
    stretch: StretchAnswer
    pulls: int = Field(description="Made in the stretch.")
    expected_outside: float = Field(description="How many of them were outside, on average.")
    not_judged: int = Field(description="Pulls that nothing can be said of.")
    hold: tuple[JobAnswer, ...] = Field(
        description="Jobs to look at, complete: those with a pull that cannot be judged, then those"
        " at or above the threshold, the most suspect first."
    )
    below: BelowAnswer
    crossings: tuple[CrossingAnswer, ...] = Field(
        description="At each target of the shop's plan and of the check that found it outside, then"
        " at any of them."
    )
    most_suspect: tuple[SuspectPullAnswer, ...] = Field(
        description="Records of work, the most suspect first, as many as `limit`; the CSV has all."
    )
    ways_drawn: int = Field(description="How many possible ways of the wrench the chances rest on.")

    @classmethod
    def of(
        cls,
        work: SuspectWork,
        wrench: records.Wrench,
        policy: Policy,
        recall_above: float,
        limit: int,
    ) -> Self:
        trace = work.trace
        held = tuple(job for job in trace.jobs if is_held(job, recall_above))
        below = [job.probability or 0.0 for job in trace.jobs if not is_held(job, recall_above)]
        return cls(
            direction=work.direction,
            in_words=trace_in_words(wrench.serial, work, held, recall_above, policy.time_zone),
            stretch=StretchAnswer(
                begin=work.begin,
                end=work.end,
                last_good_check=trace.stretch.last_good,
                found_out_by=trace.stretch.found_out,
            ),
            pulls=work.made,
            expected_outside=trace.expected,
            not_judged=trace.not_judged,
            hold=tuple(JobAnswer.of(job) for job in held),
            below=BelowAnswer(jobs=len(below), highest_probability=max(below, default=None)),
            crossings=tuple(
                CrossingAnswer.of(crossing, wrench, policy.time_zone)
                for crossing in trace.crossings
            ),
            most_suspect=tuple(
                SuspectPullAnswer.of(pull, traced, wrench) for pull, traced in work.pulls[:limit]
            ),
            ways_drawn=trace.paths,
        )


def is_held(job: TracedJob, recall_above: float) -> bool:
    """Whether a job is to be looked at: one that cannot be judged is."""
    return job.not_judged > 0 or (job.probability or 0.0) >= recall_above


class TraceAnswer(AnalysisAnswer):
    """The suspect work of one wrench."""

    recall_above: float = Field(description="The threshold that drew the line.")
    directions: tuple[
        Annotated[TraceAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
    cautions: tuple[str, ...] = (
        cautions.NOT_DECLARED_SAFE,
        cautions.RECORDED_WORK_ALONE,
        *cautions.ALWAYS,
    )


CSV_COLUMNS = (
    "wrench", "direction", "job", "hold", "job_probability", "performed_at", "torque", "unit",
    "count", "probability", "too_little", "too_much", "mpd_pct", "flags", "operator", "pull",
)  # fmt: skip


def csv_row(
    pull: records.Pull,
    traced: TracedPull,
    job: TracedJob,
    wrench: records.Wrench,
    recall_above: float,
) -> Mapping[str, object]:
    """One record of work as a row under CSV_COLUMNS."""
    return {
        "wrench": pull.wrench,
        "direction": pull.direction.value,
        "job": pull.job,
        "hold": "yes" if is_held(job, recall_above) else "no",
        "job_probability": _rounded(job.probability),
        "performed_at": pull.performed_at.isoformat().replace("+00:00", "Z"),
        "torque": pull.torque.value,
        "unit": pull.torque.unit,
        "count": pull.count,
        "probability": _rounded(traced.probability),
        "too_little": _rounded(traced.low),
        "too_much": _rounded(traced.high),
        "mpd_pct": _rounded(traced.mpd_pct),
        "flags": " ".join(flag.value for flag in flags_of(pull, wrench)),
        "operator": pull.operator,
        "pull": pull.id,
    }


def _rounded(value: float | None) -> str | None:
    """Five digits: what lies below is the noise of the draws."""
    return None if value is None else f"{value:.5g}"
