"""The range study to look at: its finding in words, its charts as the API draws them, its table."""

from litestar import get
from litestar.di import NamedDependency
from litestar.response import Template

from service.api.access import Shop
from service.api.made_ready import MadeReady
from service.api.range_study import asked_about_range
from service.pages.site import page
from service.pages.waits import waits
from service.range_finding import finding
from service.range_report import report_rows


@get("/range", sync_to_thread=True)
def range_page(shop: NamedDependency[Shop], made_ready: NamedDependency[MadeReady]) -> Template:
    if not made_ready.study():
        return waits(shop, "The bottom of the range", "/range", "/range", for_study=True)
    question = asked_about_range(shop, "range-page", None, None)
    policy = question.policy
    study = question.evidence.studies.under(policy)
    return page(
        "range.html",
        shop,
        policy,
        low_mark=policy.caution_below,
        told=finding(study),
        rows=report_rows(study),
        bands=study.rules.bands,
        tolerated=policy.tolerated_pull_risk,
    )
