"""The bench's schedule from predicted drift: as a list, and as a feed for calendars."""

from typing import Annotated, Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from service import cautions, methods
from service.api.access import Shop
from service.api.answers import REVALIDATE
from service.api.operations import TextBody, tells
from service.api.paging import every_wrench
from service.api.parameters import AsOf, IfNoneMatch
from service.api.questions import Question, answer_to, ask
from service.bench_plan import BenchPlan, bench_plan
from service.calendar_feed import visit_feed
from service.records import Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.schedule import ScheduleAnswer, ShopTargetAnswer, UncheckedAnswer, VisitAnswer

_CALENDAR: Final = "text/calendar"
_FEED: Final = TextBody(
    description="iCalendar (RFC 5545), one whole-day event a visit.",
    example="BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//wrench-drift//schedule//EN\r\n"
    "END:VCALENDAR\r\n",
)

Days = Annotated[
    int, QueryParameter(description="How many days the plan covers, today included.", ge=1, le=366)
]
_USUAL_DAYS: Final = 90


class ScheduleController(Controller):
    path = "/v1"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/schedule",
        operation_id="readSchedule",
        summary="Which wrench to check on which day",
        description=(
            "Every wrench in service that is due in the days asked about, as late as is safe and "
            "as early as the bench's capacity needs; those past due first, the riskiest soonest. "
            "Beside it, what other reliability targets would cost and bring."
        ),
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        days: Days = _USUAL_DAYS,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[ScheduleAnswer]:
        question = _asked(shop, "schedule", days, as_of, if_none_match)
        planned = _planned(question, days)
        return answer_to(
            question,
            ScheduleAnswer(
                as_of=question.as_of,
                first_day=planned.first_day,
                last_day=planned.last_day,
                method=MethodAnswer.model_validate(methods.FORECAST),
                policy_version=question.policy.version,
                checks_per_day=question.policy.bench_checks_per_day,
                visits=tuple(VisitAnswer.of(visit) for visit in planned.plan.visits),
                without_room=planned.plan.without_room,
                unchecked=tuple(
                    UncheckedAnswer(wrench=serial, because="no reading of it is known")
                    for serial in planned.unchecked
                ),
                other_targets=tuple(
                    ShopTargetAnswer.model_validate(outcome)
                    for outcome in question.evidence.other_targets(question.policy)
                ),
                cautions=cautions.ALWAYS,
            ),
        )

    @get(
        "/schedule.ics",
        operation_id="readScheduleFeed",
        summary="The schedule as a feed for calendars",
        media_type=_CALENDAR,
        sync_to_thread=True,
        opt=tells(answered={_CALENDAR: _FEED}),
    )
    def feed(
        self,
        shop: NamedDependency[Shop],
        days: Days = _USUAL_DAYS,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[bytes]:
        question = _asked(shop, "schedule.ics", days, as_of, if_none_match)
        return Response(
            visit_feed(shop.key, _planned(question, days).plan.visits, question.today),
            media_type=_CALENDAR,
            headers={"ETag": question.tag, **REVALIDATE},
        )


def _asked(
    shop: Shop, operation: str, days: int, as_of: str | None, if_none_match: str | None
) -> Question[tuple[Wrench, ...]]:
    return ask(
        shop,
        lambda records: tuple(every_wrench(records)),
        operation,
        days,
        as_of=as_of,
        if_none_match=if_none_match,
    )


def _planned(question: Question[tuple[Wrench, ...]], days: int) -> BenchPlan:
    policy = question.policy
    due = question.evidence.all_due(policy, question.day)
    return bench_plan(question.subject, due, policy, question.today, days)
