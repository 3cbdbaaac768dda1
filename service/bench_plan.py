"""The bench's plan for the days to come: which wrench in service is checked when.

Joins the due dates that `analysis` finds with what the records say. Booked days stand; the others
are levelled around them. The plan is always made for a year, and the days asked about are its
beginning, so that a wrench's day does not hang on how far one looks.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from analysis.vocabulary import Direction
from service.bench_days import HORIZON_DAYS, free_places, is_open, last_planned_day
from service.booking_records import Booking
from service.bookings import BenchBook, due_days
from service.frames import number_of_date
from service.records import ServiceStatus

if TYPE_CHECKING:
    from analysis.due import Due
    from analysis.schedule import Plan, Waiting


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedVisit:
    """A wrench on its day at the bench.

    due, cap             None: nothing is known of the wrench, which somebody booked all the same
    failure_probability  chance that its check would fail on the day the plan is made
    expected_days_out    expected number of days out of tolerance from then until the visit
    booking              what holds the day; None: the plan
    closed               the day was booked, and the policy in force has the bench closed on it
    """

    wrench: str
    day: date
    due: date | None
    cap: date | None
    failure_probability: float | None
    expected_days_out: float | None
    booking: Booking | None = None
    closed: bool = False

    @property
    def late(self) -> bool:
        return self.due is not None and self.day > self.due

    @property
    def days_past_cap(self) -> int:
        return 0 if self.cap is None else max((self.day - self.cap).days, 0)


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """The plan, and what stands beside it.

    visits        by day, the riskiest first within a day
    without_room  due in these days and without a place in them
    unchecked     in service, not booked, and nothing is known of them
    missed        bookings whose day went by without a check
    """

    visits: tuple[PlannedVisit, ...]
    without_room: tuple[str, ...]
    unchecked: tuple[str, ...]
    missed: tuple[Booking, ...]
    first_day: date
    last_day: date

    @property
    def expected_days_out(self) -> float:
        """Expected wrench-days out of tolerance until the visits."""
        return sum(visit.expected_days_out or 0.0 for visit in self.visits)


def bench_plan(book: BenchBook, due: "Mapping[tuple[str, Direction], Due]", days: int) -> BenchPlan:
    """The plan from the book's day on.

    due    of every wrench and direction that has one; the earlier direction counts
    days   how many days are asked about, at least 1
    """
    from analysis.schedule import plan_visits

    policy, today = book.policy, book.today
    last_day = today + timedelta(days=days - 1)
    last_planned = last_planned_day(today)
    booked = book.ahead()
    in_service = sorted(
        serial
        for serial, wrench in book.wrenches.items()
        if wrench.status is ServiceStatus.IN_SERVICE
    )
    found: dict[str, list[Due]] = {}
    for (serial, _), each in due.items():
        found.setdefault(serial, []).append(each)
    known = {
        serial: _waiting(serial, found[serial], book)
        for serial in sorted({*in_service, *(booking.wrench for booking in booked)})
        if serial in found
    }
    with_a_day = {booking.wrench for booking in booked}
    waiting = [
        known[serial]
        for serial in in_service
        if serial in known and serial not in with_a_day and known[serial].due <= last_planned
    ]
    plan = plan_visits(
        waiting,
        today,
        free_places(policy, today, last_planned, book.taken()),
        1.0 - policy.reliability_target,
    )
    visits = [*_planned(plan, known), *(_booked(each, known, book) for each in booked)]
    visits.sort(key=lambda v: (v.day, -(v.failure_probability or 0.0), v.wrench))
    shown = tuple(visit for visit in visits if visit.day <= last_day)
    soon = {item.wrench for item in waiting if item.due <= last_day}
    return BenchPlan(
        visits=shown,
        without_room=tuple(sorted(soon - {visit.wrench for visit in shown})),
        unchecked=tuple(
            serial for serial in in_service if serial not in known and serial not in with_a_day
        ),
        missed=book.missed(),
        first_day=today,
        last_day=last_day,
    )


def _waiting(serial: str, own: "Collection[Due]", book: BenchBook) -> "Waiting":
    """A wrench with its days, from what is known of its directions, at least one.

    Both directions are checked in one visit; the one more likely to fail counts, a lower bound
    where both may.
    """
    import numpy as np

    from analysis.schedule import Waiting, failing_by_day

    days = due_days(own, book.policy.time_zone)
    today = number_of_date(book.today)
    failing = np.max([failing_by_day(each, today, HORIZON_DAYS) for each in own], axis=0)
    return Waiting(serial, days.due, days.cap, tuple(failing.tolist()))


def _planned(plan: "Plan", known: "Mapping[str, Waiting]") -> list[PlannedVisit]:
    return [
        PlannedVisit(
            wrench=visit.wrench,
            day=visit.day,
            due=visit.due,
            cap=known[visit.wrench].cap,
            failure_probability=visit.failure_probability,
            expected_days_out=visit.expected_days_out,
        )
        for visit in plan.visits
    ]


def _booked(booking: Booking, known: "Mapping[str, Waiting]", book: BenchBook) -> PlannedVisit:
    item = known.get(booking.wrench)
    until = (booking.day - book.today).days
    return PlannedVisit(
        wrench=booking.wrench,
        day=booking.day,
        due=item.due if item else None,
        cap=item.cap if item else None,
        failure_probability=item.failing[0] if item else None,
        expected_days_out=sum(item.failing[:until]) if item else None,
        booking=booking,
        closed=not is_open(book.policy, booking.day),
    )
