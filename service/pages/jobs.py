"""A list of jobs against the shop's wrenches: a form that asks what POST /v1/coverage answers."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from litestar import Controller, Request, get, post
from litestar.di import NamedDependency
from litestar.params import RawBody
from litestar.response import Template

from analysis.fitness import Fitness
from analysis.numerals import chance
from analysis.pull_matrix import NoRisk
from service.api.access import Shop
from service.api.body import InvalidRequest
from service.api.coverage import coverage_answer, covered, jobs_of_csv
from service.findings import Refused
from service.pages.forms import faults_in_words, sent_fields
from service.pages.site import page
from service.pages.wrenches import sheet_path
from service.schemas.coverage import MOST_JOBS, CandidateAnswer, CoverageAnswer, JobAnswer

EXAMPLE: Final = (
    "job,torque,unit,direction,criticality\n"
    "wheel nuts,110,N.m,clockwise,safety_critical\n"
    "drain plug,30,N.m,,\n"
    "seat rail,18,ft.lbf,,\n"
)
_GAPS: Final = {
    NoRisk.OUT_OF_RANGE: "",
    NoRisk.NO_TOLERANCE: "no tolerance that way",
    NoRisk.NO_EVIDENCE: "never checked that way",
}


@dataclass(frozen=True, slots=True)
class Cell:
    """One wrench for one job; `mark` names the shape beside the words, empty where it has no risk.

    words   empty: the job is outside its range
    """

    mark: str
    words: str
    chance: str = ""
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One job with a cell for each wrench of the matrix."""

    job: JobAnswer
    cells: tuple[Cell, ...]
    others: int  # wrenches whose range holds it, and that do no job of the list


class JobPages(Controller):
    path = "/coverage"

    @get(sync_to_thread=True)
    def ask(self, shop: NamedDependency[Shop]) -> Template:
        return _page(shop, EXAMPLE)

    @post(sync_to_thread=True, status_code=200)
    def answer(
        self, request: Request[Any, Any, Any], shop: NamedDependency[Shop], body: RawBody
    ) -> Template:
        text = sent_fields(request, body).get("jobs", "")
        try:
            question, coverage = covered(shop, jobs_of_csv(as_csv(text).encode()))
        except (Refused, InvalidRequest) as error:
            return _page(shop, text, status=422, faults=faults_in_words(error))
        return _page(shop, text, answer=coverage_answer(question, coverage))


def as_csv(text: str) -> str:
    """Cells copied from a spreadsheet come with tabs between them."""
    head = text.partition("\n")[0]
    return text.replace("\t", ",") if "\t" in head and "," not in head else text


def _page(
    shop: Shop,
    text: str,
    *,
    status: int = 200,
    faults: list[str] | None = None,
    answer: CoverageAnswer | None = None,
) -> Template:
    with shop.read() as records:
        policy = records.policy.get()
    columns = tuple(_columns(answer)) if answer else ()
    return page(
        "jobs.html",
        shop,
        policy,
        status=status,
        text=text,
        most=MOST_JOBS,
        faults=faults or [],
        answer=answer,
        columns=columns,
        rows=[_row(job, columns) for job in answer.jobs] if answer else [],
        sheet_path=sheet_path,
    )


def _columns(answer: CoverageAnswer) -> Iterator[str]:
    """Those of the smallest set, then all others that may do a job of the list."""
    taken = [each.wrench for each in answer.fewest]
    yield from taken
    able = {each.wrench for job in answer.jobs for each in job.wrenches if each.covers}
    yield from sorted(able.difference(taken))


def _row(job: JobAnswer, columns: tuple[str, ...]) -> Row:
    found = {each.wrench: each for each in job.wrenches}
    gaps = {name: each.because for each in job.without_risk for name in each.wrenches}
    return Row(
        job,
        tuple(
            _cell(found[name], job) if name in found else Cell("", _GAPS[gaps[name]])
            for name in columns
        ),
        others=len(found.keys() - set(columns)),
    )


def _cell(found: CandidateAnswer, job: JobAnswer) -> Cell:
    told = chance(found.pull_risk)
    if found.covers:
        mark, words = ("inside", "fit") if found.fitness is Fitness.FIT else ("doubt", "caution")
        return Cell(mark, words, told, chosen=job.done_with == found.wrench)
    return Cell("outside", "not fit" if found.fitness is Fitness.NOT_FIT else "too risky", told)
