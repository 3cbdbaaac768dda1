"""A list of jobs against the shop's wrenches: a form that asks what POST /v1/coverage answers."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any, Final

from litestar import Controller, Request, get, post
from litestar.di import NamedDependency
from litestar.params import RawBody
from litestar.response import Template

from analysis.fitness import Fitness
from analysis.numerals import chance
from analysis.pull_matrix import NoRisk
from service.access.caller import TokenScope
from service.api.access import Shop
from service.api.body import InvalidRequest
from service.api.coverage import coverage_answer, covered, jobs_of_csv
from service.api.made_ready import MadeReady
from service.api.operations import tells
from service.coverage import Candidate, JobCoverage
from service.findings import Refused
from service.pages.forms import faults_in_words, sent_fields
from service.pages.site import page
from service.pages.wrenches import sheet_path
from service.schemas.coverage import MOST_JOBS, CoverageAnswer, JobAnswer

EXAMPLE: Final = (
    "job,torque,unit,direction,criticality\n"
    "wheel nuts,110,N.m,clockwise,safety_critical\n"
    "drain plug,30,N.m,,\n"
    "seat rail,18,ft.lbf,,\n"
)
_LISTED: Final = 40  # of each job
_COLUMNS: Final = 40
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
    others: int  # wrenches whose range holds it, and that have no column
    others_able: int  # those of them that may do it


class JobPages(Controller):
    path = "/coverage"

    @get(sync_to_thread=True)
    def ask(self, shop: NamedDependency[Shop]) -> Template:
        return _page(shop, EXAMPLE)

    @post(sync_to_thread=True, status_code=200, opt=tells(scope=TokenScope.READ))
    def answer(
        self,
        request: Request[Any, Any, Any],
        shop: NamedDependency[Shop],
        made_ready: NamedDependency[MadeReady],
        body: RawBody,
    ) -> Template:
        """A list cannot be asked for again by itself: a person has to, with the list kept."""
        text = sent_fields(request, body).get("jobs", "")
        if not made_ready.forecasts():
            return _page(shop, text, status=503, waits=True)
        try:
            question, coverage = covered(shop, jobs_of_csv(as_csv(text).encode()))
        except (Refused, InvalidRequest) as error:
            return _page(shop, text, status=422, faults=faults_in_words(error))
        answer = coverage_answer(question, coverage, _LISTED)
        columns = _columns(answer)
        rows = [
            _row(job, found, columns) for job, found in zip(answer.jobs, coverage.jobs, strict=True)
        ]
        return _page(shop, text, answer=answer, columns=columns, rows=rows)


def as_csv(text: str) -> str:
    """Cells copied from a spreadsheet come with tabs between them."""
    head = text.partition("\n")[0]
    return text.replace("\t", ",") if "\t" in head and "," not in head else text


def _page(
    shop: Shop,
    text: str,
    *,
    status: int = 200,
    faults: Sequence[str] = (),
    waits: bool = False,
    answer: CoverageAnswer | None = None,
    columns: Sequence[str] = (),
    rows: Sequence[Row] = (),
) -> Template:
    with shop.read() as records:
        policy = records.policy.get()
    return page(
        "jobs.html",
        shop,
        policy,
        status=status,
        text=text,
        most=MOST_JOBS,
        faults=faults,
        waits=waits,
        answer=answer,
        columns=columns,
        rows=rows,
        sheet_path=sheet_path,
    )


def _columns(answer: CoverageAnswer) -> list[str]:
    """Those of the smallest set, then others that may do a job of the list.

    Of those others the best of each job in turn, as many as a table can hold.
    """
    columns = [each.wrench for each in answer.fewest]
    able = [[each.wrench for each in job.wrenches if each.covers] for job in answer.jobs]
    best_first = [serial for turn in zip_longest(*able) for serial in turn if serial is not None]
    others = [serial for serial in dict.fromkeys(best_first) if serial not in columns]
    return columns + sorted(others[: max(_COLUMNS - len(columns), 0)])


def _row(job: JobAnswer, found: JobCoverage, columns: Sequence[str]) -> Row:
    gaps = {name: why for why, names in found.without_risk.items() for name in names}
    shown = [found.of(name) for name in columns]
    return Row(
        job,
        tuple(
            Cell("", _GAPS[gaps[name]]) if each is None else _cell(each, job)
            for name, each in zip(columns, shown, strict=True)
        ),
        others=found.judged - sum(each is not None for each in shown),
        others_able=found.able - sum(each is not None and each.covers for each in shown),
    )


def _cell(found: Candidate, job: JobAnswer) -> Cell:
    told = chance(found.odds.pull_risk)
    if found.covers:
        mark, words = ("inside", "fit") if found.fitness is Fitness.FIT else ("doubt", "caution")
        return Cell(mark, words, told, chosen=job.done_with == found.wrench)
    return Cell("outside", "not fit" if found.fitness is Fitness.NOT_FIT else "too risky", told)
