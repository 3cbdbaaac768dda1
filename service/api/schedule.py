"""The bench's schedule from predicted drift: as a list, and as a feed for calendars."""

from dataclasses import dataclass
from datetime import datetime
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
from service.api.questions import Question, answer_to, ask, past_instant
from service.bench_plan import bench_plan
from service.booking_records import Booking
from service.bookings import BenchBook
from service.calendar_feed import visit_feed
from service.records import Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.schedule import (
    MissedAnswer,
    RegimeAnswer,
    SavingsAnswer,
    ScheduleAnswer,
    ShopTargetAnswer,
    UncheckedAnswer,
    VisitAnswer,
    WrenchSavingsAnswer,
)
from service.wording import savings_in_words, schedule_in_words

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
Months = Annotated[
    int, QueryParameter(description="The fixed interval to compare with.", ge=1, le=60)
]
_USUAL_MONTHS: Final = 12


class ScheduleController(Controller):
    path = "/v1"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/schedule",
        operation_id="readSchedule",
        summary="Which wrench to check on which day",
        description=(
            "Every wrench in service on its day at the bench: booked days as they are, those past "
            "due on the first free places, the riskiest soonest, all others on their due date or "
            "as little before it as the bench's capacity needs, those nearest to failing first. Of "
            "all plans the one with the least lateness, then with the least exposure for the "
            "interval given away, exactly. Beside it, what other reliability targets would cost "
            "and bring."
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
        planned = bench_plan(
            _book(question), question.evidence.all_due(question.policy, question.day), days
        )
        return answer_to(
            question,
            ScheduleAnswer(
                as_of=question.as_of,
                first_day=planned.first_day,
                last_day=planned.last_day,
                method=MethodAnswer.model_validate(methods.FORECAST),
                policy_version=question.policy.version,
                checks_per_day=question.policy.bench_checks_per_day,
                visits=tuple(VisitAnswer.of(visit) for visit in planned.visits),
                in_words=schedule_in_words(planned),
                without_room=planned.without_room,
                unchecked=tuple(
                    UncheckedAnswer(wrench=serial, because="no reading of it is known")
                    for serial in planned.unchecked
                ),
                missed_bookings=tuple(
                    MissedAnswer(booking=missed.id, wrench=missed.wrench, day=missed.day)
                    for missed in planned.missed
                ),
                expected_days_out=planned.expected_days_out,
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
        book = _book(question)
        planned = bench_plan(book, question.evidence.all_due(question.policy, question.day), days)
        return Response(
            visit_feed(shop.key, planned.visits, book.bookings, question.today),
            media_type=_CALENDAR,
            headers={"ETag": question.tag, **REVALIDATE},
        )

    @get(
        "/schedule/savings",
        operation_id="readSavings",
        summary="What due dates save or risk against a fixed interval",
        description=(
            "Checks a year, and expected days out of tolerance a year, by the due dates and with "
            "one interval for all wrenches, as if every interval to come were like the one that "
            "runs now. A wrench that was below the shop's target at its last check needs work, not "
            "an interval, and is in neither sum."
        ),
        sync_to_thread=True,
    )
    def savings(
        self,
        shop: NamedDependency[Shop],
        months: Months = _USUAL_MONTHS,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[SavingsAnswer]:
        from analysis.error_law import DAYS_PER_YEAR
        from analysis.savings import savings_of_shop

        question = ask(
            shop,
            lambda _: None,
            "savings",
            months,
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
        )
        fitted = question.evidence.under(question.policy)
        found = savings_of_shop(fitted, months * DAYS_PER_YEAR / 12.0)
        return answer_to(
            question,
            SavingsAnswer(
                as_of=question.as_of,
                day=question.today,
                method=MethodAnswer.model_validate(methods.FORECAST),
                policy_version=question.policy.version,
                months=months,
                in_words=savings_in_words(found, months),
                by_due_dates=RegimeAnswer.model_validate(found.by_due_dates),
                fixed=RegimeAnswer.model_validate(found.fixed),
                wrenches=tuple(WrenchSavingsAnswer.model_validate(each) for each in found.wrenches),
                needs_work=found.needs_work,
                cautions=cautions.ALWAYS,
            ),
        )


@dataclass(frozen=True, slots=True)
class _Recorded:
    """What the records say that a plan depends on beside evidence and policy."""

    wrenches: tuple[Wrench, ...]
    bookings: tuple[Booking, ...]
    last_checks: dict[str, datetime]


def _asked(
    shop: Shop, operation: str, days: int, as_of: str | None, if_none_match: str | None
) -> Question[_Recorded]:
    asked = None if as_of is None else past_instant(as_of, shop.now())
    return ask(
        shop,
        lambda records: _Recorded(
            tuple(every_wrench(records)),
            records.bookings.every(asked),
            records.bookings.last_checks(asked),
        ),
        operation,
        days,
        as_of=as_of,
        if_none_match=if_none_match,
        by_use=True,
    )


def _book(question: Question[_Recorded]) -> BenchBook:
    recorded = question.subject
    return BenchBook(
        policy=question.policy,
        today=question.today,
        bookings=recorded.bookings,
        wrenches={wrench.serial: wrench for wrench in recorded.wrenches},
        last_checks=recorded.last_checks,
    )
