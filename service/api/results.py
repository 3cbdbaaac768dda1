"""What is known of every wrench at once: a page at a time as JSON, whole as a table."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Final

from litestar import Controller, Request, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from service import cautions, methods
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.accept import wanted
from service.api.access import Shop
from service.api.answers import JSON, REVALIDATE
from service.api.operations import TextBody, tells
from service.api.parameters import AsOf, Cursor, IfNoneMatch, Limit
from service.api.questions import Question, answer_to, ask
from service.results import result_frame
from service.schemas.analyses import MethodAnswer
from service.schemas.results import ResultAnswer, ResultsAnswer
from service.tables import MEDIA_TYPES, TableForm, table_in

if TYPE_CHECKING:
    import polars as pl

_RESOURCE: Final = "results"


class ResultForm(StrEnum):
    """The forms of the results; the first is the one to be sent when nothing is said."""

    JSON = "json"
    ARROW = "arrow"
    PARQUET = "parquet"


_MEDIA_TYPES: Final = {
    ResultForm.JSON: JSON,
    ResultForm.ARROW: MEDIA_TYPES[TableForm.ARROW],
    ResultForm.PARQUET: MEDIA_TYPES[TableForm.PARQUET],
}
_ANSWERED: Final = {
    _MEDIA_TYPES[form]: TextBody(
        description=f"All rows, columns as the JSON form names them, as {words}.",
        example=f"(bytes of {words})",
        schema={"contentMediaType": _MEDIA_TYPES[form]},
    )
    for form, words in (
        (ResultForm.ARROW, "an Arrow IPC stream"),
        (ResultForm.PARQUET, "a Parquet file"),
    )
}

Format = Annotated[
    ResultForm | None,
    QueryParameter(description="Left out: what Accept asks for, json where it asks for nothing."),
]


class ResultController(Controller):
    path = "/v1/results"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readResults",
        summary="What is known of every wrench at once",
        description=(
            "One row for each wrench and direction with a stated tolerance and a reading: due day "
            "and what bounds it, the chance that a check today passes, pull risk and expected "
            "deviation at the plan's targets, drift of gain and offset with intervals, scatter of "
            "its family, Ppk by band. JSON comes a page at a time, with each row in words; the "
            "tables hold all rows, and take no cursor. Due days are those of readDue within half a "
            "day."
        ),
        sync_to_thread=True,
        opt=tells(kinds.NOT_ACCEPTABLE, answered=_ANSWERED),
    )
    def read(
        self,
        request: Request[Any, Any, Any],
        shop: NamedDependency[Shop],
        format: Format = None,  # noqa: A002 - the parameter's own name
        limit: Limit = paging.USUAL,
        cursor: Cursor = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[ResultsAnswer]:
        form = format or wanted(request.headers.get("accept"), _MEDIA_TYPES)
        after = paging.key_of(cursor, _RESOURCE)
        question = ask(
            shop,
            lambda _: None,
            *("results", form, limit, after),
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
        )
        frame = result_frame(question.evidence, question.policy, question.day)
        if form is ResultForm.JSON:
            answer: Response[Any] = answer_to(question, _page(question, frame, after, limit))
        else:
            answer = Response(
                b"".join(table_in(TableForm(form), frame.schema, [frame])),
                media_type=_MEDIA_TYPES[form],
                headers={"ETag": question.tag, **REVALIDATE},
            )
        answer.headers["Vary"] = "Accept"
        return answer


def _page(
    question: Question[None], frame: "pl.DataFrame", after: str | None, limit: int
) -> ResultsAnswer:
    """The rows after a serial and direction."""
    keys = list(zip(frame["wrench"], frame["direction"], strict=True))
    start = 0
    if after is not None:
        direction, _, wrench = after.partition(" ")
        start = sum(key <= (wrench, direction) for key in keys)
    rows = frame[start : start + limit].to_dicts()
    last = f"{rows[-1]['direction']} {rows[-1]['wrench']}" if rows else ""
    more = start + limit < len(keys)
    return ResultsAnswer(
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.FORECAST),
        policy_version=question.policy.version,
        in_words=(
            f"{len(keys)} results, one for each wrench and direction with a stated tolerance and a"
            f" reading, as of {question.today}."
        ),
        results=tuple(ResultAnswer.of(row) for row in rows),
        next_cursor=paging.cursor_after(_RESOURCE, last) if more else None,
        cautions=cautions.ALWAYS,
    )
