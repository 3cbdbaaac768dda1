"""The bench: pick a wrench, take its readings, and see the verdict on them."""

from typing import Annotated, Final

from litestar import Controller, get
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter
from litestar.response import Template

from analysis.vocabulary import CheckKind
from service.api.access import Shop
from service.api.checks import check_of_wrench, judged_answer
from service.api.fleet_days import FleetDays, Seen
from service.bench_plan import PlannedVisit
from service.bench_sheet import bench_sheet
from service.clock import PinnedClock
from service.earlier import HISTORY
from service.intake import CLOCK_SLACK, TEMPERATURE_C
from service.pages.bench_words import KINDS, headline, next_steps
from service.pages.site import local_time, page
from service.pages.which_wrench import as_scanned, similar, stated, way_of
from service.store import UnknownRecord

_MOST_TESTERS: Final = 200
_LONGEST_SERIAL: Final = 64
# A clock that stands still takes no reading from far in its future.
_CLOCK_SLACK_MS: Final = int(CLOCK_SLACK.total_seconds() * 1000)


class BenchPages(Controller):
    path = "/bench"

    @get(sync_to_thread=True)
    def sheet(
        self,
        shop: NamedDependency[Shop],
        fleet_days: NamedDependency[FleetDays],
        wrench: Annotated[str, QueryParameter()] = "",
        direction: Annotated[str, QueryParameter()] = "",
        kind: Annotated[str, QueryParameter()] = "",
    ) -> Template:
        """Without a wrench, or with one that is not there: the question which one."""
        asked = wrench.strip()[:_LONGEST_SERIAL]
        with shop.read() as records:
            policy = records.policy.get()
            found = as_scanned(shop, records, asked) if asked else None
            if found is None:
                return page(
                    "bench_pick.html",
                    shop,
                    policy,
                    status=404 if asked else 200,
                    asked=asked,
                    similar=similar(shop, records, asked) if asked else (),
                    next=_next(fleet_days.seen()),
                )
            testers = records.testers.list(limit=_MOST_TESTERS)
            earlier = records.checks.list(found.serial, limit=HISTORY)
        way = way_of(found, direction)
        now = shop.now()
        sheet = bench_sheet(
            found,
            way,
            policy=policy,
            testers=testers,
            earlier=earlier,
            today=local_time(now, policy).date(),
        )
        return page(
            "bench_sheet.html",
            shop,
            policy,
            wrench=found,
            directions=stated(found),
            sheet=sheet,
            kinds=KINDS,
            kind=kind if kind in list(CheckKind) else CheckKind.AS_FOUND,
            last=next((each for each in earlier if each.direction is way and not each.card), None),
            time_ms=int(now.timestamp() * 1000),
            clock_slack_ms=_CLOCK_SLACK_MS if isinstance(shop.clock, PinnedClock) else "",
            temperature_c=TEMPERATURE_C,
        )

    @get("/checks/{serial:str}/{check_id:str}", sync_to_thread=True)
    def verdict(
        self,
        shop: NamedDependency[Shop],
        serial: Annotated[str, PathParameter()],
        check_id: Annotated[str, PathParameter()],
    ) -> Template:
        with shop.read() as records:
            policy = records.policy.get()
            try:
                check = check_of_wrench(records, serial, check_id)
            except UnknownRecord:
                return page(
                    "bench_pick.html",
                    shop,
                    policy,
                    status=404,
                    asked=f"{serial}, check {check_id}",
                    similar=(),
                    next=(),
                )
            wrench = records.wrenches.get(serial)
            answer = judged_answer(records, check)
        return page(
            "bench_verdict.html",
            shop,
            policy,
            wrench=wrench,
            check=answer,
            performed=local_time(check.performed_at, policy),
            kind_words=KINDS[check.kind],
            headline=headline(answer.verdict),
            steps=next_steps(wrench, answer),
        )


def _next(seen: Seen) -> list[PlannedVisit]:
    """The wrenches of the bench's next day, where the plan is known as it stands."""
    visits = seen.day.plan.visits if seen.day is not None and seen.current else ()
    return [visit for visit in visits if visit.day == visits[0].day]
