"""The charts of the range study, and its report on one page."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Final

from litestar import Controller, Request, Response, get
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter

from analysis.vocabulary import Direction
from service.api import problem_kinds as kinds
from service.api.accept import wanted
from service.api.access import Shop
from service.api.answers import REVALIDATE
from service.api.operations import TextBody, tells
from service.api.parameters import AsOf, IfNoneMatch
from service.api.questions import Question
from service.api.range_study import asked_about_range
from service.charts.render import MEDIA_TYPES, ChartFormat, rendered
from service.charts.theme import Look
from service.range_report import REPORT_HEADERS, report_page
from service.registry import Registry

if TYPE_CHECKING:
    import altair

_SVG: Final = TextBody(
    description="The chart, drawn; it loads nothing.",
    example='<svg xmlns="http://www.w3.org/2000/svg" version="1.1"></svg>',
)
_PNG: Final = TextBody(
    description="The chart in pixels, two to each of the drawing's.",
    example="(bytes of a PNG)",
    schema={"contentMediaType": "image/png"},
)
_SPECIFICATION: Final = TextBody(
    description="The chart's specification in Vega-Lite, its data inside.",
    example={"$schema": "https://vega.github.io/schema/vega-lite/v6.4.1.json", "layer": []},
    schema={"type": "object", "required": ["$schema"]},
)
ANSWERED: Final = {
    MEDIA_TYPES[ChartFormat.SVG]: _SVG,
    MEDIA_TYPES[ChartFormat.PNG]: _PNG,
    MEDIA_TYPES[ChartFormat.JSON]: _SPECIFICATION,
}
_HTML: Final = "text/html"
_PAGE: Final = TextBody(
    description="One page, of A4 or letter when printed; no script, and nothing it loads.",
    example="<!doctype html><title>Is the bottom of the range less reliable?</title>",
)


class RangeChart(StrEnum):
    """What there is to draw."""

    SCATTER = "scatter"
    CAPABILITY = "capability"
    TRUST_FLOOR = "trust-floor"


ChartName = Annotated[
    RangeChart,
    PathParameter(
        description="scatter: how readings scatter along the range; capability: Ppk along the "
        "range; trust-floor: from where up each wrench may be trusted, against its checks."
    ),
]
Format = Annotated[
    ChartFormat | None,
    QueryParameter(description="Left out: what Accept asks for, SVG where it asks for nothing."),
]
ChartLook = Annotated[
    Look,
    QueryParameter(
        description="Of an SVG. paper: light; screen: dark where the reader's system asks for it, "
        "and light in print."
    ),
]
ChartDirection = Annotated[Direction, QueryParameter(description="Of the pulls drawn.")]


class RangeChartController(Controller):
    path = "/v1/range-study"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/charts/{name:str}",
        operation_id="readRangeChart",
        summary="A chart of the range study",
        description=(
            "Scatter, capability or trust floors along the range, by kind of wrench, with "
            "intervals, what they rest on, and the trade's mark. The title says the finding."
        ),
        sync_to_thread=True,
        opt=tells(kinds.NOT_ACCEPTABLE, answered=ANSWERED),
    )
    def chart(
        self,
        request: Request[Any, Any, Any],
        shop: NamedDependency[Shop],
        name: ChartName,
        format: Format = None,  # noqa: A002 - the parameter's own name
        direction: ChartDirection = Direction.CLOCKWISE,
        as_of: AsOf = None,
        look: ChartLook = Look.PAPER,
        if_none_match: IfNoneMatch = None,
    ) -> Response[bytes]:
        chosen = format or wanted(request.headers.get("accept"), MEDIA_TYPES)
        question = asked_about_range(
            shop, "range-chart", as_of, if_none_match, name, chosen, direction, look
        )
        return Response(
            rendered(_drawn(question, name, direction), chosen, look),
            media_type=MEDIA_TYPES[chosen],
            headers={"ETag": question.tag, "Vary": "Accept", **REVALIDATE},
        )

    @get(
        "/report",
        operation_id="readRangeReport",
        summary="The range study on one page, to print",
        media_type=_HTML,
        description=(
            "Question, verdict, figure, numbers, what else could explain it, the rule with its "
            "error rates, and what does not follow."
        ),
        sync_to_thread=True,
        opt=tells(answered={_HTML: _PAGE}),
    )
    def report(
        self,
        shop: NamedDependency[Shop],
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[bytes]:
        question = asked_about_range(shop, "range-report", as_of, if_none_match)
        return Response(
            report_page(question.evidence.studies.under(question.policy), question.today).encode(),
            media_type=_HTML,
            headers={"ETag": question.tag, **REVALIDATE, **REPORT_HEADERS},
        )


def _drawn(
    question: Question[Registry], name: RangeChart, direction: Direction
) -> "altair.TopLevelMixin":
    policy, evidence = question.policy, question.evidence
    study = evidence.studies.under(policy)
    if name is RangeChart.SCATTER:
        from service.charts.range_scatter import scatter_chart

        return scatter_chart(study, direction)
    if name is RangeChart.CAPABILITY:
        from service.charts.range_capability import capability_chart

        return capability_chart(study, direction)
    from analysis.trust_floor import trusted_windows
    from service.charts.range_floors import floors_chart

    return floors_chart(
        study,
        trusted_windows(evidence.under(policy), question.day),
        question.subject.by_serial,
        direction,
    )
