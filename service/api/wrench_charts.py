"""The charts of one wrench."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Final

from litestar import Controller, Request, Response, get
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Direction
from service.api import problem_kinds as kinds
from service.api.accept import wanted
from service.api.access import Shop
from service.api.answers import REVALIDATE
from service.api.operations import tells
from service.api.parameters import AsOf, IfNoneMatch, SerialPath
from service.api.questions import Question, ask
from service.api.range_charts import ANSWERED, ChartDirection, ChartLook, Format
from service.charts import theme
from service.charts.axes import empty_frame
from service.charts.render import MEDIA_TYPES, rendered
from service.charts.theme import Look
from service.records import Wrench
from service.wrench_sheet import analyse

if TYPE_CHECKING:
    import altair


class WrenchChart(StrEnum):
    """What there is to draw of a wrench."""

    DRIFT = "drift"
    CAPABILITY = "capability"
    SCATTER = "scatter"


_USUAL_WIDTH: Final = {
    WrenchChart.DRIFT: theme.WIDTH,
    WrenchChart.CAPABILITY: 400,
    WrenchChart.SCATTER: 400,
}

ChartName = Annotated[
    WrenchChart,
    PathParameter(
        description="drift: deviation over time at each target, with forecast, limits, "
        "adjustments, jumps and due date; capability: Ppk along the range and by band; scatter: "
        "single readings along the range beside the family's law."
    ),
]
Width = Annotated[
    int | None,
    QueryParameter(
        description="Of the drawing inside its axes, in its own pixels; 300 suits a phone.",
        ge=240,
        le=1200,
    ),
]


class WrenchChartController(Controller):
    path = "/v1/wrenches/{serial:str}/charts"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/{name:str}",
        operation_id="readWrenchChart",
        summary="A chart of a wrench",
        description=(
            "Drift, capability or scatter of a wrench in one direction. The title says the "
            "finding; without enough evidence it says why there is none. Where a wrench delivers "
            "low, the chart lies low; numbers keep the sign of ISO 6789."
        ),
        sync_to_thread=True,
        opt=tells(kinds.NOT_ACCEPTABLE, answered=ANSWERED),
    )
    def chart(
        self,
        request: Request[Any, Any, Any],
        shop: NamedDependency[Shop],
        serial: SerialPath,
        name: ChartName,
        format: Format = None,  # noqa: A002 - the parameter's own name
        direction: ChartDirection = Direction.CLOCKWISE,
        width: Width = None,
        as_of: AsOf = None,
        look: ChartLook = Look.PAPER,
        if_none_match: IfNoneMatch = None,
    ) -> Response[bytes]:
        chosen = format or wanted(request.headers.get("accept"), MEDIA_TYPES)
        question = ask(
            shop,
            lambda records: records.wrenches.get(serial),
            "wrench-chart",
            name,
            chosen,
            direction,
            width,
            look,
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
        )
        drawn = _drawn(question, name, direction, width or _USUAL_WIDTH[name])
        return Response(
            rendered(drawn, chosen, look),
            media_type=MEDIA_TYPES[chosen],
            headers={"ETag": question.tag, "Vary": "Accept", **REVALIDATE},
        )


def _drawn(
    question: Question[Wrench], name: WrenchChart, direction: Direction, width: int
) -> "altair.TopLevelMixin":
    wrench, policy, evidence = question.subject, question.policy, question.evidence
    try:
        found = analyse(evidence, policy, question.day, wrench, direction)
    except (NotEnoughEvidence, OutsideRange) as finding:
        title = f"Nothing can be drawn of {wrench.serial} yet: {finding.because}"
        return empty_frame(theme.titled(title, f"{finding.needed}."))
    if name is WrenchChart.DRIFT:
        from service.charts.wrench_drift import drift_chart

        return drift_chart(wrench, found, policy, width=width)
    if name is WrenchChart.CAPABILITY:
        from service.charts.wrench_capability import capability_chart

        return capability_chart(wrench, found, policy, width=width)
    from service.charts.wrench_scatter import scatter_chart

    return scatter_chart(wrench, found, evidence.of_wrench(wrench.serial), width=width)
