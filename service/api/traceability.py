"""Reverse traceability: which recorded work is suspect once a wrench was found out."""

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from litestar.response import Stream

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Direction
from service import methods
from service.api.access import Shop
from service.api.answers import REVALIDATE
from service.api.body import InvalidRequest
from service.api.operations import TextBody, tells
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import (
    Question,
    answer_to,
    answered_or_why_not,
    ask,
    directions_of,
)
from service.findings import Finding
from service.records import Pull, Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.traceability import CSV_COLUMNS, TraceAnswer, TraceAnswered, csv_row
from service.store import UnknownRecord
from service.suspect_work import Ending, SuspectWork, suspect_work

_CSV: Final = "text/csv"
_ROWS: Final = TextBody(
    description=(
        "One row a record of work, the most suspect first, with the chance of its job beside it; "
        "`hold` says whether the job is to be looked at. A direction without evidence has no rows."
    ),
    example=(
        ",".join(CSV_COLUMNS) + "\n"
        "SP-101,clockwise,W-1042,yes,0.21,2026-04-29T10:20:00Z,24,N.m,5,0.061,0.061,0,4,,bay 2,"
        "00000000-0000-4000-8000-000000000001\n"
    ),
)

CheckQuery = Annotated[
    str | None,
    QueryParameter(
        description="Id of the check that found the wrench outside; the last that did when left"
        " out.",
        min_length=1,
        max_length=64,
    ),
]
UntilNow = Annotated[
    bool,
    QueryParameter(
        description="All work since the last check that found the wrench inside, up to now,"
        " whatever other checks found. So it is, too, where no check found it outside."
    ),
]
RecallAbove = Annotated[
    float | None,
    QueryParameter(
        description="Jobs with at least this chance that one of their pulls was outside are to be"
        " looked at; the policy's tolerated_pull_risk when left out (a choice: a smaller number"
        " finds more).",
        ge=0,
        le=1,
    ),
]
Limit = Annotated[
    int, QueryParameter(description="How many of the most suspect records to list.", ge=1, le=500)
]
_USUAL: Final = 50


class TraceabilityController(Controller):
    path = "/v1/wrenches/{serial:str}"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/reverse-traceability",
        operation_id="readReverseTraceability",
        summary="Which work is suspect once a wrench was found out",
        description=(
            "From the last check that found the wrench inside to the one that found it outside: "
            "each recorded pull with its chance of having been outside its limit, given both "
            "checks and the whole history; the jobs to look at, with the chance that at least one "
            "of their pulls was outside; and when the wrench's own deviation probably left its "
            "limits. A pull is judged as readRisk judges the next one, so each has a hand and "
            "scatter of its own, while the pulls of a job share the state of the wrench."
        ),
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        check: CheckQuery = None,
        until_now: UntilNow = False,
        recall_above: RecallAbove = None,
        limit: Limit = _USUAL,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[TraceAnswer]:
        asked = _Asked(shop, serial, direction, check, until_now, recall_above, limit)
        question = asked.question(as_of, if_none_match)
        threshold = asked.threshold(question)

        def of(way: Direction) -> TraceAnswered:
            work = asked.work(question, way)
            return TraceAnswered.of(work, question.subject[0], question.policy, threshold, limit)

        return answer_to(
            question,
            TraceAnswer(
                wrench=serial,
                as_of=question.as_of,
                day=question.today,
                method=MethodAnswer.model_validate(methods.TRACE),
                policy_version=question.policy.version,
                recall_above=threshold,
                directions=answered_or_why_not(asked.directions(question), of),
            ),
        )

    @get(
        "/reverse-traceability.csv",
        operation_id="readReverseTraceabilityRows",
        summary="Every suspect pull as a row",
        description="The same question as readReverseTraceability, answered in full.",
        media_type=_CSV,
        sync_to_thread=True,
        opt=tells(answered={_CSV: _ROWS}),
    )
    def rows(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        check: CheckQuery = None,
        until_now: UntilNow = False,
        recall_above: RecallAbove = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Stream:
        asked = _Asked(shop, serial, direction, check, until_now, recall_above, "csv")
        question = asked.question(as_of, if_none_match)
        works = []
        for way in asked.directions(question):
            try:
                works.append(asked.work(question, way))
            except (NotEnoughEvidence, OutsideRange):
                continue  # the JSON form says why; here there is nothing to list
        return Stream(
            _lines(works, question.subject[0], asked.threshold(question)),
            media_type=_CSV,
            headers={"ETag": question.tag, **REVALIDATE},
        )


Subject = tuple[Wrench, int]  # the wrench, and the version of the shop's recorded work


class _Asked:
    """The question as it was sent, in whichever form the answer goes out."""

    def __init__(
        self,
        shop: Shop,
        serial: str,
        direction: Direction | None,
        check: str | None,
        until_now: bool,
        recall_above: float | None,
        form: object,
    ) -> None:
        if check is not None and until_now:
            raise InvalidRequest(
                Finding(
                    field="query:until_now",
                    detail="a check ends the stretch, or now does",
                    remedy="send check or until_now, not both",
                )
            )
        self._shop = shop
        self._serial = serial
        self._direction = direction
        self._ending = Ending(check, until_now)
        self._recall_above = recall_above
        self._form = form

    def question(self, as_of: str | None, if_none_match: str | None) -> Question[Subject]:
        """Raises Held when the caller has its answer."""
        return ask(
            self._shop,
            lambda records: (records.wrenches.get(self._serial), records.pulls_version()),
            "reverse-traceability",
            self._direction,
            self._ending,
            self._recall_above,
            self._form,
            as_of=as_of,
            if_none_match=if_none_match,
        )

    def threshold(self, question: Question[Subject]) -> float:
        if self._recall_above is None:
            return question.policy.tolerated_pull_risk
        return self._recall_above

    def directions(self, question: Question[Subject]) -> Iterator[Direction]:
        """Those asked about; that of the check where one is named, once it is known to serve."""
        wrench = question.subject[0]
        check = self._ending.check
        if check is None:
            yield from directions_of(wrench, question.evidence, self._direction)
            return
        from analysis.shop import findings_of_wrench

        fitted = question.evidence.under(question.policy)
        for way in directions_of(wrench, question.evidence, None):
            if (self._serial, way) not in fitted.fit.places:
                continue
            for found in findings_of_wrench(fitted, self._serial, way):
                if found.check == check:
                    self._require_failing(way, inside=found.inside, after_use=found.after_use)
                    yield way
                    return
        raise UnknownRecord("check", check)

    def _require_failing(self, way: Direction, *, inside: bool, after_use: bool) -> None:
        if self._direction not in (None, way):
            raise InvalidRequest(
                Finding(
                    field="query:direction",
                    detail=f"check {self._ending.check} was made {way.value}",
                    remedy="leave direction out, or name a check of that direction",
                )
            )
        if inside or not after_use:
            why = "found the wrench inside" if inside else "follows an adjustment"
            raise InvalidRequest(
                Finding(
                    field="query:check",
                    detail=f"check {self._ending.check} {why}, so it says nothing against the work"
                    " before it",
                    remedy="name a check as found that failed, or send until_now=true to look at"
                    " all work since the last good check",
                )
            )

    def work(self, question: Question[Subject], way: Direction) -> SuspectWork:
        """Raises OutsideRange and NotEnoughEvidence as `suspect_work` does."""

        def during(direction: Direction, since: datetime, until: datetime) -> tuple[Pull, ...]:
            until = until if question.as_of is None else min(until, question.as_of)
            # A pull recorded meanwhile only makes the tag too old, and the answer asked for anew.
            with self._shop.read() as records:
                return records.pulls.during(self._serial, direction, since, until)

        return suspect_work(
            question.evidence.under(question.policy),
            self._serial,
            way,
            question.day + 1,  # the end of today, so that an answer holds all day
            self._ending,
            during,
        )


def _lines(works: list[SuspectWork], wrench: Wrench, recall_above: float) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for work in works:
        jobs = {job.job: job for job in work.trace.jobs}
        for pull, traced in work.pulls:
            writer.writerow(csv_row(pull, traced, jobs[pull.job], wrench, recall_above))
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()
