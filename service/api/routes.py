"""Every route of the API, and what its handlers are given."""

from typing import Any, Final

from litestar import Request
from litestar.di import Provide
from litestar.types import ControllerRouterHandler

from service.api.acceptance import AcceptanceController
from service.api.access import Shop
from service.api.admission import STAMP
from service.api.analyses import AnalysisController
from service.api.angle_checks import AngleCheckController
from service.api.audit import AuditController
from service.api.bookings import BookingController
from service.api.check_imports import CheckImportController
from service.api.checks import CheckController
from service.api.conformity import ConformityController
from service.api.coverage import CoverageController
from service.api.events import EventController
from service.api.fastener_fit import FastenerFitController
from service.api.health import HealthController
from service.api.metrics import MetricsController
from service.api.policy import PolicyController
from service.api.problem_pages import ProblemController
from service.api.pull_imports import PullImportController
from service.api.pulls import PullController
from service.api.range_charts import RangeChartController
from service.api.range_study import RangeStudyController
from service.api.reading_page import reading_page, reading_page_asset, reading_page_start
from service.api.readings import ReadingController
from service.api.results import ResultController
from service.api.risk import RiskController
from service.api.risks import RisksController
from service.api.schedule import ScheduleController
from service.api.shops import Shops
from service.api.testers import TesterController
from service.api.tokens import TokenController
from service.api.traceability import TraceabilityController
from service.api.uncertainty import UncertaintyController
from service.api.wrench_charts import WrenchChartController
from service.api.wrenches import WrenchController

HANDLERS: Final[list[ControllerRouterHandler]] = [
    WrenchController,
    EventController,
    CheckController,
    CheckImportController,
    ReadingController,
    PullController,
    PullImportController,
    AngleCheckController,
    TesterController,
    AcceptanceController,
    AnalysisController,
    ConformityController,
    UncertaintyController,
    TraceabilityController,
    RiskController,
    RisksController,
    ResultController,
    FastenerFitController,
    CoverageController,
    ScheduleController,
    RangeStudyController,
    WrenchChartController,
    BookingController,
    RangeChartController,
    PolicyController,
    AuditController,
    TokenController,
    HealthController,
    MetricsController,
    ProblemController,
    reading_page,
    reading_page_start,
    reading_page_asset,
]


def dependencies(shops: Shops | None) -> dict[str, Any]:
    """The caller's shop for every handler; None only to describe the routes, never to serve."""

    def shop(request: Request[Any, Any, Any]) -> Shop:
        assert shops is not None  # noqa: S101 - a description calls no handler
        return shops.shop_of(request.auth, request.scope["state"].get(STAMP))

    return {"shop": Provide(shop, sync_to_thread=False)}
