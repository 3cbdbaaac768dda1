"""A list of jobs against the shop's wrenches: a question, so that nothing is stored."""

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from typing import Annotated, Any, Final, cast

from litestar import Controller, Request, Response, post
from litestar.di import NamedDependency
from litestar.params import QueryParameter, RawBody

from service import methods
from service.access.caller import TokenScope
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import JSON, REVALIDATE, JsonResponse
from service.api.body import InvalidRequest, MalformedBody, agreed_media_type, read_body
from service.api.operations import TextBody, tells
from service.api.paging import registry_of
from service.api.parameters import AsOf
from service.api.pull_date import pulled_on
from service.api.questions import Question, ask
from service.coverage import Coverage, cover_jobs
from service.findings import Finding, Refused
from service.imports.jobs import read_jobs
from service.registry import Registry
from service.schemas.analyses import MethodAnswer
from service.schemas.coverage import CoverageAnswer, CoverageInput, JobInput

_CSV: Final = "text/csv"
_SENT: Final = TextBody(
    description=(
        "One row a job: `job`, `torque` and `unit`; where wanted also `direction`, `angle_deg`, "
        "`criticality` and `on`."
    ),
    example=(
        "job,torque,unit,direction,angle_deg,criticality,on\n"
        "wheel nuts,85,N.m,clockwise,,safety_critical,2026-05-11\n"
        "stem bolt,5,N.m,,,,\n"
    ),
)
_HEADER: Final = (
    "job", "torque", "unit", "direction", "wrench", "covers", "fitness", "pull_risk",
    "x_pct_of_full_scale", "done_with",
)  # fmt: skip
_ANSWERED: Final = TextBody(
    description="The matrix alone: one row a job and wrench whose range holds it.",
    example=",".join(_HEADER) + "\nwheel nuts,85,N.m,clockwise,SP-101,true,fit,0.0004,85,SP-101\n",
)


# Where a member of the job at a place stands in what was sent: the field, and the row of a file.
_Place = Callable[[int, str], tuple[str, int | None]]
SentJobs = tuple[tuple[JobInput, ...], _Place]


USUAL_LISTED: Final = 100
Listed = Annotated[
    int, QueryParameter(description="How many wrenches to list for each job.", ge=1, le=10_000)
]


class CoverageController(Controller):
    path = "/v1/coverage"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="coverJobs",
        summary="Which wrenches do these jobs, and how few do all?",
        description=(
            "Every job against every wrench in service: pull risk, place in range and verdict, as "
            "by readRisk. The fewest wrenches that do every job that any may do, exactly; for each "
            "job that none may do, the reason; and what ranges would hold those. Of each job's "
            "wrenches the first are listed, those that may do it before others. A question: "
            "nothing is stored. Jobs come as JSON or as CSV; with `Accept: text/csv` the matrix "
            "comes back as CSV, whole."
        ),
        status_code=200,
        sync_to_thread=True,
        opt=tells(
            kinds.REFUSED,
            reads=CoverageInput,
            sent={_CSV: _SENT},
            answered={_CSV: _ANSWERED},
            scope=TokenScope.READ,
        ),
    )
    def cover(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        body: RawBody,
        limit: Listed = USUAL_LISTED,
        as_of: AsOf = None,
    ) -> Response[CoverageAnswer]:
        jobs = _jobs(agreed_media_type(request, JSON, _CSV), body)
        question, coverage = covered(shop, jobs, as_of)
        if request.accept.best_match([JSON, _CSV]) == _CSV:
            return Response(
                cast("Any", _as_csv(coverage)),
                media_type=f"{_CSV}; charset=utf-8",
                headers={**REVALIDATE, "Vary": "Accept"},
            )
        return JsonResponse(
            coverage_answer(question, coverage, limit), headers={**REVALIDATE, "Vary": "Accept"}
        )


def covered(
    shop: Shop, sent: SentJobs, as_of: str | None = None
) -> tuple[Question[Registry], Coverage]:
    """The jobs against the shop's wrenches; raises Refused, InvalidRequest and what `ask` does."""
    question = ask(
        shop,
        lambda records: registry_of(shop, records),
        "coverage",
        as_of=as_of,
        if_none_match=None,
        by_use=True,
    )
    jobs, place = sent
    _refuse_what_cannot_be_meant(jobs, place, question.today)
    return question, cover_jobs(
        question.evidence,
        question.policy,
        question.day,
        question.subject,
        [job.job(question.today) for job in jobs],
    )


def coverage_answer(
    question: Question[Registry], coverage: Coverage, limit: int = USUAL_LISTED
) -> CoverageAnswer:
    """The answer as it is sent, with so many wrenches for each job."""
    return CoverageAnswer.of(
        coverage,
        limit,
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.FORECAST),
        policy_version=question.policy.version,
    )


def jobs_of_csv(body: bytes) -> SentJobs:
    """The jobs of a list as CSV; raises Refused with every finding, named by column and row."""
    rows, jobs = zip(*read_jobs(body), strict=True)
    return jobs, lambda i, name: ({"name": "job"}.get(name, name), rows[i])


def _jobs(media_type: str, body: bytes) -> SentJobs:
    if media_type == JSON:
        return read_body(CoverageInput, body).jobs, lambda i, name: (f"/jobs/{i}/{name}", None)
    if not body:
        raise MalformedBody("there is no body")
    return jobs_of_csv(body)


def _refuse_what_cannot_be_meant(jobs: Sequence[JobInput], place: _Place, today: date) -> None:
    """Two jobs of one name, and days on which no wrench's state is known."""
    findings: list[Finding] = []
    seen: set[str] = set()
    for i, job in enumerate(jobs):
        field, row = place(i, "name")
        if job.name in seen:
            findings.append(
                Finding(
                    field=field,
                    row=row,
                    detail=f"{job.name!r} is there twice",
                    remedy="give each job a name of its own",
                )
            )
        seen.add(job.name)
        field, row = place(i, "on")
        try:
            pulled_on(job.on, today, field)
        except InvalidRequest as error:
            findings += (replace(finding, row=row) for finding in error.findings)
    if findings:
        raise (InvalidRequest(*findings) if findings[0].row is None else Refused(findings))


def _as_csv(coverage: Coverage) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_HEADER)
    for found, done_with in zip(coverage.jobs, coverage.done_with, strict=True):
        job = found.job
        writer.writerows(
            (
                job.name,
                job.torque.value,
                job.torque.unit,
                job.direction.value,
                each.wrench,
                str(each.covers).lower(),
                each.fitness.value,
                f"{each.odds.pull_risk:.6g}",
                f"{100 * each.odds.x:.6g}",
                done_with or "",
            )
            for each in found.best(found.judged)
        )
    return text.getvalue().encode()
