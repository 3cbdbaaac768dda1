"""A list of jobs against the shop's wrenches."""

from datetime import date
from typing import Annotated, Self

from pydantic import Field

from analysis.fitness import Fitness
from analysis.pull_matrix import NoRisk
from analysis.vocabulary import Direction
from service import cautions
from service.coverage import Candidate, Coverage, JobCoverage, Uncovered
from service.coverage_wording import coverage_in_words, job_in_words, missing_in_words
from service.criticality import Criticality
from service.job import Job
from service.schemas.analyses import MethodAnswer
from service.schemas.base import Answer, Input, Line, UtcInstant
from service.schemas.risk import GroundAnswer
from service.schemas.torque import PositiveTorqueInput, TorqueAnswer

MOST_JOBS = 100


class JobInput(Input):
    """One fastener to be tightened."""

    name: Line = Field(description="What the job is called; no other in the list is called so.")
    torque: PositiveTorqueInput
    direction: Direction = Direction.CLOCKWISE
    angle_deg: Annotated[float, Field(gt=0, le=3600)] | None = Field(
        default=None, description="An angle step after the torque; carried along, not judged here."
    )
    criticality: Criticality = Field(
        default=Criticality.ORDINARY,
        description="For safety_critical a tenth of the tolerated and the refused pull risk.",
    )
    on: date | None = Field(
        default=None, description="Date of the pull in the shop's time zone; left out: today."
    )

    def job(self, today: date) -> Job:
        return Job(
            name=self.name,
            torque=self.torque.torque(),
            direction=self.direction,
            angle_deg=self.angle_deg,
            criticality=self.criticality,
            on=self.on or today,
        )


class CoverageInput(Input):
    """The jobs to be done."""

    jobs: Annotated[tuple[JobInput, ...], Field(min_length=1, max_length=MOST_JOBS)]


class CandidateAnswer(Answer):
    """A wrench in service whose range holds the torque."""

    wrench: str
    covers: bool = Field(
        description="It may do the job: not unfit, and the pull risk is tolerated."
    )
    fitness: Fitness
    reasons: tuple[GroundAnswer, ...] = Field(description="The gravest first.")
    pull_risk: float = Field(description="Chance that the pull is outside the limit.")
    low_risk: float = Field(description="Its part on the side that delivers too little.")
    high_risk: float = Field(description="Its part on the side that delivers too much.")
    pass_probability: float = Field(description="Of a whole check on that day.")
    x_pct_of_full_scale: float
    mpd_pct: float

    @classmethod
    def of(cls, found: Candidate) -> Self:
        odds = found.odds
        return cls(
            wrench=found.wrench,
            covers=found.covers,
            fitness=found.fitness,
            reasons=tuple(GroundAnswer.model_validate(reason) for reason in found.reasons),
            pull_risk=odds.pull_risk,
            low_risk=odds.low_risk,
            high_risk=odds.high_risk,
            pass_probability=odds.pass_probability,
            x_pct_of_full_scale=100 * odds.x,
            mpd_pct=odds.mpd_pct,
        )


class WithoutRiskAnswer(Answer):
    """Wrenches in service that have no risk for a job, for one reason."""

    because: NoRisk
    count: int
    wrenches: tuple[str, ...] = Field(description="The first of them by serial.")


class JobAnswer(Answer):
    """One job: its row of the matrix of jobs and wrenches."""

    name: str
    in_words: str
    torque: TorqueAnswer
    direction: Direction
    angle_deg: float | None
    criticality: Criticality
    on: date
    tolerated_pull_risk: float
    done_with: str | None = Field(
        description="The wrench of the smallest set that does it best; null: none may."
    )
    uncovered: Uncovered | None = Field(
        description="Why no wrench may do it, the nearest the shop is to doing it; null: one may."
    )
    able: int = Field(description="How many wrenches in service may do it.")
    judged: int = Field(description="How many wrenches in service have the range, and a risk.")
    wrenches: tuple[CandidateAnswer, ...] = Field(
        description="The first of those judged, and the one it is done with: those that may do it"
        " first, fit before caution, then the lowest risk."
    )
    without_risk: tuple[WithoutRiskAnswer, ...] = Field(
        description="All other wrenches in service."
    )
    out_of_service: tuple[str, ...] = Field(
        description="The first of the wrenches that have the range and are not in service."
    )

    @classmethod
    def of(cls, found: JobCoverage, done_with: str | None, limit: int) -> Self:
        job = found.job
        listed = found.best(limit)
        if done_with is not None and all(each.wrench != done_with for each in listed):
            chosen = found.of(done_with)
            listed += [chosen] if chosen else []
        return cls(
            name=job.name,
            in_words=job_in_words(found, done_with),
            torque=TorqueAnswer.of(job.torque),
            direction=job.direction,
            angle_deg=job.angle_deg,
            criticality=job.criticality,
            on=job.on,
            tolerated_pull_risk=found.tolerated_pull_risk,
            done_with=done_with,
            uncovered=found.uncovered,
            able=found.able,
            judged=found.judged,
            wrenches=tuple(CandidateAnswer.of(each) for each in listed),
            without_risk=tuple(
                WithoutRiskAnswer(because=why, count=len(serials), wrenches=serials[:limit])
                for why, serials in found.without_risk.items()
            ),
            out_of_service=found.out_of_service[:limit],
        )


class TakenAnswer(Answer):
    """A wrench of the smallest set."""

    wrench: str
    jobs: tuple[str, ...] = Field(description="Names of the jobs that it does best in the set.")


class MissingRangeAnswer(Answer):
    """What one wrench more would hold of the jobs that none may do, by its range alone."""

    in_words: str
    least_full_scale_nm: float
    most_full_scale_nm: float
    jobs: tuple[str, ...]
    directions: tuple[Direction, ...] = Field(description="Those it needs a stated tolerance in.")


class CoverageAnswer(Answer):
    """Every job against every wrench, and how few wrenches do all."""

    as_of: UtcInstant | None
    day: date
    method: MethodAnswer
    policy_version: int
    in_words: str
    fewest: tuple[TakenAnswer, ...] = Field(
        description="No smaller set does every job that any wrench may do. Of all sets as small,"
        " the one with the fewest jobs done with caution, then with the least sum of pull risks."
    )
    jobs: tuple[JobAnswer, ...] = Field(description="In the order in which they came.")
    missing_ranges: tuple[MissingRangeAnswer, ...] = Field(
        description="The fewest wrenches more whose trusted part of the range, from the policy's"
        " caution_below on, holds every job that none may do."
    )
    cautions: tuple[str, ...]

    @classmethod
    def of(
        cls,
        coverage: Coverage,
        limit: int,
        *,
        as_of: UtcInstant | None,
        day: date,
        method: MethodAnswer,
        policy_version: int,
    ) -> Self:
        jobs = [each.job for each in coverage.jobs]
        return cls(
            as_of=as_of,
            day=day,
            method=method,
            policy_version=policy_version,
            in_words=coverage_in_words(coverage),
            fewest=tuple(
                TakenAnswer(wrench=taken.wrench, jobs=tuple(jobs[i].name for i in taken.jobs))
                for taken in coverage.taken
            ),
            jobs=tuple(
                JobAnswer.of(found, done_with, limit)
                for found, done_with in zip(coverage.jobs, coverage.done_with, strict=True)
            ),
            missing_ranges=tuple(
                MissingRangeAnswer(
                    in_words=missing_in_words(coverage, missing),
                    least_full_scale_nm=missing.least_full_scale_nm,
                    most_full_scale_nm=missing.most_full_scale_nm,
                    jobs=tuple(jobs[i].name for i in missing.torques),
                    directions=tuple(
                        way
                        for way in Direction
                        if any(jobs[i].direction is way for i in missing.torques)
                    ),
                )
                for missing in coverage.missing
            ),
            cautions=cautions.ALWAYS,
        )
