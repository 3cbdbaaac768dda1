"""Which wrenches of the shop may do which jobs, and how few of them do all.

Joins what the records say (in service or not) with what `analysis` finds. A wrench may do a job
when its verdict there is not "not fit" and the pull risk is at most what the shop tolerates for a
fastener of that criticality; with caution is allowed, and told.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from service.criticality import Criticality
from service.frames import number_of_date
from service.job import Job
from service.marked_ranges import Ranges
from service.pull import PullDay, limits_of
from service.records import Policy
from service.registry import Registry
from service.shop_evidence import ShopEvidence
from service.whole_shop import JudgedPulls, WholeShop

if TYPE_CHECKING:
    from analysis.arrays import Array, Flags
    from analysis.coverage import Cover
    from analysis.fitness import Fitness, Reason
    from analysis.missing_ranges import MissingRange
    from analysis.pull_matrix import PullOdds


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


class JobCoverage:
    """A job with the wrenches for it: those that may do it first, fit before caution, then the
    lowest risk. They are told one by one when asked for.

    tolerated_pull_risk  the shop's, for the job's criticality
    able, judged         how many may do it, and how many have the range and a risk
    without_risk         serials of the wrenches in service that have no risk there, and why
    out_of_service       serials of those not in service that have the range and a tolerance
    uncovered            None: some wrench may do it
    """

    def __init__(self, job: Job, whole: WholeShop, field: Ranges) -> None:
        policy = whole.by.policy
        self.job = job
        self.tolerated_pull_risk = policy.tolerated_pull_risk
        self._whole = whole
        self._judged, self._covers = _in_order(whole, job)
        self.able = int(self._covers.sum())
        self.judged = self._judged.size
        self.without_risk = field.without_risk(job)
        self.out_of_service = field.out_of_service(job)
        self.uncovered = self._why_not()

    @property
    def wrenches(self) -> list[str]:
        """Serials of all that were judged, in order."""
        return [self._whole.day.members[place][0] for place in self._judged.pulls.member]

    def best(self, most: int) -> list[Candidate]:
        """The first of them."""
        return [self._candidate(place) for place in range(min(most, self.judged))]

    def of(self, wrench: str) -> Candidate | None:
        """One of them."""
        import numpy as np

        member = self._whole.day.place.get((wrench, self.job.direction))
        found = np.flatnonzero(self._judged.pulls.member == member)
        return self._candidate(int(found[0])) if len(found) else None

    def safest(self) -> Candidate:
        """The one with the lowest pull risk, the first where risks are alike."""
        return self._candidate(int(self._judged.pulls.numbers.risk.argmin()))

    def tolerable(self, most: int) -> list[Candidate]:
        """The first of those whose pull risk the shop would tolerate."""
        import numpy as np

        low = self._judged.pulls.numbers.risk <= self.tolerated_pull_risk
        return [self._candidate(int(place)) for place in np.flatnonzero(low)[:most]]

    def fill(self, allowed: "Flags", caution: "Array", risk: "Array") -> None:
        """The job's row of the problem of the fewest wrenches, a column a wrench by serial."""
        columns = self._whole.serial_ranks(self._judged)
        allowed[columns] = self._covers
        caution[columns] = self._judged.fitness != 0
        risk[columns] = self._judged.pulls.numbers.risk

    def _candidate(self, place: int) -> Candidate:
        from analysis.fitness import gravest_first, reasons_for, verdict_of
        from analysis.pull_matrix import odds_of

        by = self._whole.by
        pull = self._judged.pulls
        serial, direction = self._whole.day.members[pull.member[place]]
        wrench = self._whole.registry.by_serial[serial]
        odds = odds_of(pull, place)
        reasons = reasons_for(
            odds,
            by.due[serial, direction],
            by.standing(serial, direction),
            by.shop.fit.place(serial, direction)[0].source,
            wrench.mechanism,
            limits_of(by.policy),
            by.day,
        )
        if acceptance := by.acceptance(wrench, direction):
            reasons = gravest_first((*reasons, acceptance))
        return Candidate(serial, odds, verdict_of(reasons), reasons, bool(self._covers[place]))

    def _why_not(self) -> Uncovered | None:
        from analysis.pull_matrix import NoRisk

        if self.able:
            return None
        if self.judged:
            tolerated = self._judged.pulls.numbers.risk.min() <= self.tolerated_pull_risk
            return Uncovered.NOT_FIT if tolerated else Uncovered.RISK_TOO_HIGH
        if NoRisk.NO_EVIDENCE in self.without_risk:
            return Uncovered.NO_EVIDENCE
        if self.out_of_service:
            return Uncovered.OUT_OF_SERVICE
        if NoRisk.NO_TOLERANCE in self.without_risk:
            return Uncovered.NO_TOLERANCE
        return Uncovered.OUT_OF_EVERY_RANGE


def _in_order(whole: WholeShop, job: Job) -> "tuple[JudgedPulls, Flags]":
    """The wrenches in service that have the range, and whether each may do the job."""
    import numpy as np

    from analysis.fitness import Fitness

    found = whole.in_service(job.torque.nm, job.direction)
    risk = found.pulls.numbers.risk
    covers = (risk <= whole.by.policy.tolerated_pull_risk) & (
        found.fitness != list(Fitness).index(Fitness.NOT_FIT)
    )
    order = np.lexsort((whole.serial_ranks(found), risk, found.fitness, ~covers))
    return found.only(order), covers[order]


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
    registry: Registry,
    jobs: Sequence[Job],
) -> Coverage:
    """Every job against every wrench; `today` in days since 1970-01-01."""
    shops: dict[tuple[Criticality, date], WholeShop] = {}
    for job in jobs:
        if (key := (job.criticality, job.on)) not in shops:
            by = PullDay.of(
                evidence,
                policy,
                today,
                day=number_of_date(job.on),
                criticality=job.criticality,
            )
            shops[key] = WholeShop(by, registry)
    field = evidence.by_work.get(
        ("ranges", registry.version, policy.version),
        lambda: Ranges(evidence.under(policy), registry),
    )
    # Side by side: nearly all of it is long passes of numpy, which let other threads go on.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        found = tuple(
            pool.map(lambda job: JobCoverage(job, shops[job.criticality, job.on], field), jobs)
        )
    serials = [wrench.serial for wrench in registry]
    cover = _fewest(found, len(serials))
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


def _fewest(found: Sequence[JobCoverage], wrenches: int) -> "Cover":
    """The smallest set; of those the one with the fewest jobs done with caution, then of least
    total pull risk.
    """
    import numpy as np

    from analysis.coverage import fewest_cover

    shape = len(found), wrenches
    allowed, caution, risk = np.zeros(shape, dtype=np.bool_), np.zeros(shape), np.zeros(shape)
    for place, each in enumerate(found):
        each.fill(allowed[place], caution[place], risk[place])
    return fewest_cover(allowed, [caution, risk])


def _missing(found: Sequence[JobCoverage], trusted_from: float) -> "tuple[MissingRange, ...]":
    from dataclasses import replace

    from analysis.missing_ranges import fewest_ranges

    places = [i for i, each in enumerate(found) if each.uncovered is not None]
    ranges = fewest_ranges([found[i].job.torque.nm for i in places], trusted_from)
    return tuple(replace(each, torques=tuple(places[i] for i in each.torques)) for each in ranges)
