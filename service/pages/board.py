"""The board: the fleet by risk, what is due, what is out of service, and the bench's plan."""

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Annotated, Final
from urllib.parse import urlencode

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from litestar.response import Template

from analysis.fitness import Fitness
from analysis.vocabulary import Mechanism
from service.api.access import Shop
from service.api.fleet_days import FleetDays
from service.bench_plan import PlannedVisit
from service.fleet_day import PLAN_DAYS, FleetDay, WrenchDay
from service.pages.board_words import due_words, glance
from service.pages.site import page
from service.pages.wrenches import sheet_path
from service.records import Policy

ROWS: Final = 50  # on a page
_MOST_BESIDE: Final = 50  # of those out of service, and of those never checked
_WITHIN: Final = {"0": "overdue", "7": "7 days", "30": "30 days", "90": "90 days"}
_STATUSES: Final = {
    Fitness.NOT_FIT.value: "not fit",
    Fitness.CAUTION.value: "fit with caution",
    Fitness.FIT.value: "fit",
}


@dataclass(frozen=True, slots=True)
class Filters:
    """What to list; an empty choice lists all."""

    mechanism: str
    status: str
    within: str

    def takes(self, row: WrenchDay, today: date) -> bool:
        return (
            self.mechanism in ("", row.wrench.mechanism)
            and self.status in ("", row.fitness)
            and (
                not self.within
                or row.due_on < today
                or (row.due_on <= today + timedelta(days=int(self.within)) and self.within != "0")
            )
        )

    def path(self, number: int) -> str:
        given = {"mechanism": self.mechanism, "status": self.status, "within": self.within}
        query = {name: value for name, value in given.items() if value}
        return f"/board?{urlencode(query | {'page': number})}"


@dataclass(frozen=True, slots=True)
class PlanDay:
    """An open day of the bench, or a closed one that something is booked on."""

    day: date
    column: int  # of its week, from 1 on
    visits: tuple[PlannedVisit, ...]


class BoardPages(Controller):
    path = "/board"

    @get(sync_to_thread=True)
    def board(
        self,
        shop: NamedDependency[Shop],
        fleet_days: NamedDependency[FleetDays],
        mechanism: Annotated[str, QueryParameter()] = "",
        status: Annotated[str, QueryParameter()] = "",
        within: Annotated[str, QueryParameter()] = "",
        page_number: Annotated[int, QueryParameter(name="page", ge=1, le=100_000)] = 1,
    ) -> Template:
        """Choices that are none are as if not made."""
        seen = fleet_days.seen()
        with shop.read() as records:
            policy = records.policy.get()
        if seen.day is None:
            return page("board_waits.html", shop, policy, failed=seen.failed)
        day = seen.day
        filters = Filters(
            mechanism if mechanism in list(Mechanism) else "",
            status if status in _STATUSES else "",
            within if within in _WITHIN else "",
        )
        listed = [row for row in day.rows if filters.takes(row, day.today)]
        first = ROWS * (page_number - 1)
        weeks = _weeks(day, policy)
        return page(
            "board.html",
            shop,
            policy,
            day=day,
            current=seen.current,
            failed=seen.failed,
            glance=glance(day),
            filters=filters,
            choices={
                "mechanism": {each.value: each.value for each in Mechanism},
                "status": _STATUSES,
                "within": _WITHIN,
            },
            listed=len(listed),
            rows=day.told(listed[first : first + ROWS]),
            first=first,
            earlier=filters.path(page_number - 1) if page_number > 1 else "",
            later=filters.path(page_number + 1) if first + ROWS < len(listed) else "",
            due_words=due_words,
            sheet_path=sheet_path,
            weeks=weeks,
            columns=max((each.column for week in weeks for each in week), default=1),
            most=_MOST_BESIDE,
            tolerated=policy.tolerated_pull_risk,
        )

    @get("/state", sync_to_thread=True)
    def state(self, fleet_days: NamedDependency[FleetDays]) -> Response[dict[str, bool]]:
        """Whether the board is to be asked for again, and would show something else."""
        seen = fleet_days.seen()
        return Response({"current": seen.current, "failed": seen.failed})


def _weeks(day: FleetDay, policy: Policy) -> list[list[PlanDay]]:
    """The plan's days by weeks; a closed day stands in it where something is booked on it."""
    by_day: dict[date, list[PlannedVisit]] = {}
    for visit in day.plan.visits:
        by_day.setdefault(visit.day, []).append(visit)
    shown = [
        each
        for each in (day.today + timedelta(days=ahead) for ahead in range(PLAN_DAYS))
        if each.weekday() not in policy.closed_weekdays or each in by_day
    ]
    columns = sorted({each.weekday() for each in shown})
    return [
        [
            PlanDay(each, columns.index(each.weekday()) + 1, tuple(by_day.get(each, ())))
            for each in week
        ]
        for _, week in groupby(shown, key=lambda each: each.isocalendar()[:2])
    ]
