"""What the coverage of a list of jobs comes to, in sentences."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.fitness import Fitness
from analysis.numerals import chance, number, percent
from service.coverage import Coverage, JobCoverage, Uncovered
from service.criticality import Criticality
from service.wording import direction_in_words, torque_in_words, verdict_in_words

if TYPE_CHECKING:
    from analysis.missing_ranges import MissingRange

_MOST_NAMES = 6


def coverage_in_words(coverage: Coverage) -> str:
    """How many wrenches do how many of the jobs, and which."""
    jobs, done = len(coverage.jobs), sum(by is not None for by in coverage.done_with)
    if not done:
        return f"No wrench in service may do {_counted(jobs, 'the job', 'any of the {} jobs')}."
    share = _counted(jobs, "the job") if done == jobs else f"{done} of the {jobs} jobs"
    if done == jobs and jobs > 1:
        share = f"all {jobs} jobs"
    names = listed([taken.wrench for taken in coverage.taken])
    count = len(coverage.taken)
    does = "1 wrench does" if count == 1 else f"{count} wrenches do"
    left = jobs - done
    rest = ""
    if left:
        rest = f"; no wrench in service may do the other{f' {left}' if left > 1 else ''}"
    fewer = "" if count == 1 else ", and no fewer can"
    return f"{does} {share}{fewer}: {names}{rest}."


def job_in_words(found: JobCoverage, done_with: str | None) -> str:
    """Which wrench does a job and how safely, or why none may."""
    job = found.job
    critical = ", safety-critical" if job.criticality is Criticality.SAFETY_CRITICAL else ""
    what = (
        f"{job.name}, {torque_in_words(job.torque)} {direction_in_words(job.direction)}{critical}"
    )
    if found.uncovered is not None:
        return f"{what}: no wrench may do it: {_why_not(found)}."
    chosen = found.of(done_with or "")
    assert chosen is not None  # noqa: S101 - a job that some wrench may do is done with one
    choice = "the only wrench that may" if found.able == 1 else f"one of {found.able} that may"
    because = "; ".join(reason.words for reason in chosen.reasons)
    verdict = (
        "" if chosen.fitness is Fitness.FIT else f"; {verdict_in_words(chosen.fitness)}: {because}"
    )
    return (
        f"{what}: {chosen.wrench}, {choice}, with {chance(chosen.odds.pull_risk)} chance that the "
        f"pull is outside ±{percent(chosen.odds.mpd_pct, 3)}{verdict}."
    )


def _why_not(found: JobCoverage) -> str:
    from analysis.pull_matrix import NoRisk

    names = found.wrenches
    match found.uncovered:
        case Uncovered.RISK_TOO_HIGH:
            best = found.safest()
            return (
                f"{listed(names)} {_verb(names, 'has', 'have')} the range, but the lowest chance "
                f"that the pull is outside the limit, {chance(best.odds.pull_risk)} with "
                f"{best.wrench}, is above the {chance(found.tolerated_pull_risk)} that the shop "
                "tolerates for it"
            )
        case Uncovered.NOT_FIT:
            return f"{listed(names)} {_verb(names, 'has', 'have')} the range, but " + "; ".join(
                f"{each.wrench}: {each.reasons[0].words}" for each in found.tolerable(_MOST_NAMES)
            )
        case Uncovered.NO_EVIDENCE:
            silent = found.without_risk[NoRisk.NO_EVIDENCE]
            return (
                f"{listed(silent)} {_verb(silent, 'has', 'have')} the range, but no reading that "
                "way; a check would tell"
            )
        case Uncovered.OUT_OF_SERVICE:
            away = found.out_of_service
            return f"{listed(away)} {_verb(away, 'has', 'have')} the range, but out of service"
        case Uncovered.NO_TOLERANCE:
            silent = found.without_risk[NoRisk.NO_TOLERANCE]
            return (
                f"{listed(silent)} {_verb(silent, 'has', 'have')} the range, but no stated "
                "tolerance that way"
            )
        case _:
            return "it is outside every wrench's marked range"


def missing_in_words(coverage: Coverage, missing: "MissingRange") -> str:
    """What one wrench more would do, as far as its range goes."""
    names = listed([coverage.jobs[i].job.name for i in missing.torques])
    full_scale = (
        f"{number(missing.least_full_scale_nm)} to {number(missing.most_full_scale_nm)} N·m"
    )
    return (
        f"A wrench with a full scale of {full_scale} would hold {names} in the part of its range "
        f"from {percent(100 * coverage.trusted_from)} of full scale on that the shop trusts; its "
        "card and a first check must show whether it is good enough."
    )


def listed(names: Sequence[str]) -> str:
    """Names as a list in a sentence; of many, the first and how many more."""
    if len(names) > _MOST_NAMES:
        more = len(names) - _MOST_NAMES + 1
        names = [*names[: _MOST_NAMES - 1], f"{more} more"]
    if len(names) == 1:
        return names[0]
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _verb(names: Sequence[str], one: str, many: str) -> str:
    return one if len(names) == 1 else many


def _counted(count: int, one: str, many: str = "all {} jobs") -> str:
    return one if count == 1 else many.format(count)
