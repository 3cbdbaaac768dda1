"""Which wrenches of the shop may do which jobs, and how few of them do all.

Joins what the records say (in service or not) with what `analysis` finds. A wrench may do a job
when its verdict there is not "not fit" and the pull risk is at most what the shop tolerates for a
fastener of that criticality; with caution is allowed, and told.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

from service.criticality import Criticality, policy_for
from service.fleet_cache import ShopEvidence
from service.frames import number_of_date
from service.pull import acceptance_reason, limits_of
from service.records import Policy, ServiceStatus, Wrench
from service.torque import Torque

if TYPE_CHECKING:
    from analysis.coverage import Cover
    from analysis.fitness import Fitness, Reason
    from analysis.missing_ranges import MissingRange
    from analysis.pull_matrix import NoRisk, PullOdds
    from analysis.shop import Shop
    from analysis.vocabulary import Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One fastener to be tightened on a day; the angle step is carried along, not judged here."""

    name: str
    torque: Torque
    direction: "Direction"
    angle_deg: float | None
    criticality: Criticality
    on: date


@dataclass(frozen=True, slots=True)
class Candidate:
    """A wrench in service whose range holds a job's torque; covers: it may do the job."""

    wrench: str
    odds: "PullOdds"
    fitness: "Fitness"
    reasons: "tuple[Reason, ...]"
    covers: bool


class Uncovered(StrEnum):
    """Why no wrench may do a job: the nearest that the shop is to doing it."""

    RISK_TOO_HIGH = "risk_too_high"
    NOT_FIT = "not_fit"
    NO_EVIDENCE = "no_evidence"
    OUT_OF_SERVICE = "out_of_service"
    NO_TOLERANCE = "no_stated_tolerance"
    OUT_OF_EVERY_RANGE = "out_of_every_range"


@dataclass(frozen=True, slots=True)
class JobCoverage:
    """A job with the wrenches for it.

    tolerated_pull_risk  the shop's, for the job's criticality
    candidates           those that may do it first, fit before caution, then the lowest risk
    without_risk         serials of the wrenches in service that have no risk there, and why
    out_of_service       serials of those not in service that have the range and a tolerance
    uncovered            None: some wrench may do it
    """

    job: Job
    tolerated_pull_risk: float
    candidates: tuple[Candidate, ...]
    without_risk: "Mapping[NoRisk, tuple[str, ...]]"
    out_of_service: tuple[str, ...]
    uncovered: Uncovered | None


@dataclass(frozen=True, slots=True)
class TakenWrench:
    """A wrench of the smallest set, with the places in the list of the jobs that fall to it."""

    wrench: str
    jobs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Coverage:
    """The whole answer; `missing` counts places in the list of jobs."""

    jobs: tuple[JobCoverage, ...]
    taken: tuple[TakenWrench, ...]
    done_with: tuple[str | None, ...]
    missing: "tuple[MissingRange, ...]"
    trusted_from: float


def cover_jobs(
    evidence: ShopEvidence,
    policy: Policy,
    today: float,
    wrenches: Iterable[Wrench],
    jobs: Sequence[Job],
) -> Coverage:
    """Every job against every wrench; `today` in days since 1970-01-01."""
    from analysis.pull_matrix import Pull, odds_of_pulls

    everyone = sorted(wrenches, key=lambda wrench: wrench.serial)
    at_hand = [each for each in everyone if each.status is ServiceStatus.IN_SERVICE]
    away = [each.serial for each in everyone if each.status is not ServiceStatus.IN_SERVICE]
    shop = evidence.under(policy)
    odds = odds_of_pulls(
        shop,
        [Pull(job.torque.nm, job.direction, number_of_date(job.on)) for job in jobs],
        [wrench.serial for wrench in at_hand],
    )
    judge = _Judge(evidence, policy, today)
    found = tuple(
        _of_job(
            job,
            judge,
            at_hand,
            {wrench.serial: odds[place, wrench.serial] for wrench in at_hand},
            _with_the_range(shop, away, job),
        )
        for place, job in enumerate(jobs)
    )
    serials = [wrench.serial for wrench in at_hand]
    cover = _fewest(found, serials)
    done_with = tuple(None if i is None else serials[i] for i in cover.by_job)
    return Coverage(
        jobs=found,
        taken=tuple(
            TakenWrench(serials[i], tuple(j for j, by in enumerate(cover.by_job) if by == i))
            for i in cover.wrenches
        ),
        done_with=done_with,
        missing=_missing(found, policy.caution_below),
        trusted_from=policy.caution_below,
    )


class _Judge:
    """Verdicts on many pulls; what is the same for all pulls of a wrench is looked up once."""

    def __init__(self, evidence: ShopEvidence, policy: Policy, today: float) -> None:
        from analysis.fitness import Reason
        from analysis.standing import Standing, standing

        self._shop = evidence.under(policy)
        self._due = evidence.all_due(policy, today)
        self._policy = policy

        @cache
        def of_wrench(wrench: str, direction: "Direction") -> Standing:
            return standing(self._shop.deviations, wrench, direction)

        @cache
        def acceptance(wrench: Wrench, direction: "Direction", day: float) -> Reason | None:
            return acceptance_reason(wrench, direction, evidence.proofs(), policy, day)

        self._standing = of_wrench
        self._acceptance = acceptance

    def tolerated(self, criticality: Criticality) -> float:
        return policy_for(self._policy, criticality).tolerated_pull_risk

    def candidate(self, wrench: Wrench, job: Job, odds: "PullOdds") -> Candidate:
        from analysis.fitness import Fitness, gravest_first, reasons_for, verdict_of

        policy = policy_for(self._policy, job.criticality)
        reasons = reasons_for(
            odds,
            self._due[wrench.serial, job.direction],
            self._standing(wrench.serial, job.direction),
            self._shop.fit.place(wrench.serial, job.direction)[0].source,
            wrench.mechanism,
            limits_of(policy),
            number_of_date(job.on),
        )
        if acceptance := self._acceptance(wrench, job.direction, number_of_date(job.on)):
            reasons = gravest_first((*reasons, acceptance))
        fitness = verdict_of(reasons)
        tolerated = odds.pull_risk <= policy.tolerated_pull_risk
        return Candidate(
            wrench.serial, odds, fitness, reasons, tolerated and fitness is not Fitness.NOT_FIT
        )


def _of_job(
    job: Job,
    judge: _Judge,
    at_hand: Sequence[Wrench],
    odds: "Mapping[str, PullOdds | NoRisk]",
    out_of_service: tuple[str, ...],
) -> JobCoverage:
    from analysis.fitness import Fitness
    from analysis.pull_matrix import NoRisk

    candidates, without = [], dict[NoRisk, tuple[str, ...]]()
    for wrench in at_hand:
        found = odds[wrench.serial]
        if isinstance(found, NoRisk):
            without[found] = (*without.get(found, ()), wrench.serial)
        else:
            candidates.append(judge.candidate(wrench, job, found))
    order = list(Fitness)
    candidates.sort(
        key=lambda c: (not c.covers, order.index(c.fitness), c.odds.pull_risk, c.wrench)
    )
    tolerated = judge.tolerated(job.criticality)
    return JobCoverage(
        job=job,
        tolerated_pull_risk=tolerated,
        candidates=tuple(candidates),
        without_risk=without,
        out_of_service=out_of_service,
        uncovered=_why_not(candidates, tolerated, without, out_of_service),
    )


def _why_not(
    candidates: Sequence[Candidate],
    tolerated: float,
    without: "Mapping[NoRisk, tuple[str, ...]]",
    out_of_service: tuple[str, ...],
) -> Uncovered | None:
    from analysis.pull_matrix import NoRisk

    if any(candidate.covers for candidate in candidates):
        return None
    if any(candidate.odds.pull_risk <= tolerated for candidate in candidates):
        return Uncovered.NOT_FIT
    if candidates:
        return Uncovered.RISK_TOO_HIGH
    if NoRisk.NO_EVIDENCE in without:
        return Uncovered.NO_EVIDENCE
    if out_of_service:
        return Uncovered.OUT_OF_SERVICE
    if NoRisk.NO_TOLERANCE in without:
        return Uncovered.NO_TOLERANCE
    return Uncovered.OUT_OF_EVERY_RANGE


def _with_the_range(shop: "Shop", serials: Iterable[str], job: Job) -> tuple[str, ...]:
    """Those of the wrenches whose marked range and stated tolerance hold the job."""
    from analysis.errors import OutsideRange

    found = []
    for serial in serials:
        try:
            shop.ranges[serial].mpd_pct(job.direction, shop.ranges[serial].share(job.torque.nm))
        except OutsideRange:
            continue
        found.append(serial)
    return tuple(found)


def _fewest(found: Sequence[JobCoverage], serials: Sequence[str]) -> "Cover":
    """The smallest set; of those the one with the fewest jobs done with caution, then of least
    total pull risk.
    """
    import numpy as np

    from analysis.coverage import fewest_cover
    from analysis.fitness import Fitness

    shape = len(found), len(serials)
    allowed, caution, risk = np.zeros(shape, dtype=np.bool_), np.zeros(shape), np.zeros(shape)
    column = {serial: i for i, serial in enumerate(serials)}
    for place, each in enumerate(found):
        for candidate in each.candidates:
            cell = place, column[candidate.wrench]
            allowed[cell] = candidate.covers
            caution[cell] = candidate.fitness is not Fitness.FIT
            risk[cell] = candidate.odds.pull_risk
    return fewest_cover(allowed, [caution, risk])


def _missing(found: Sequence[JobCoverage], trusted_from: float) -> "tuple[MissingRange, ...]":
    from dataclasses import replace

    from analysis.missing_ranges import fewest_ranges

    places = [i for i, each in enumerate(found) if each.uncovered is not None]
    ranges = fewest_ranges([found[i].job.torque.nm for i in places], trusted_from)
    return tuple(replace(each, torques=tuple(places[i] for i in each.torques)) for each in ranges)
