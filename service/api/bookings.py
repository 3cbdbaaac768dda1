"""Days at the bench: book, list, read, move, cancel."""

from typing import Annotated, Any
from zoneinfo import ZoneInfo

from litestar import Controller, Request, Response, get, patch, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, QueryParameter, RawBody

from service.access.caller import TokenScope
from service.api import paging
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import expected_version, is_fresh, version_tag
from service.api.idempotency import store_once
from service.api.operations import tells
from service.api.parameters import Cursor, IdempotencyKey, IfMatch, IfNoneMatch, Limit
from service.bookings import BenchBook, booking_cautions
from service.findings import Finding, Refused
from service.schemas.bookings import (
    BookedAnswer,
    BookingAnswer,
    BookingChangeInput,
    BookingInput,
    BookingPage,
    ListedBookingAnswer,
)
from service.store import ShopStore

BookingIdPath = Annotated[
    str, PathParameter(description="The id that the service gave the booking.")
]


class BookingController(Controller):
    path = "/v1/schedule/bookings"
    tags = ["bookings"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="bookBench",
        summary="Book a day at the bench for a wrench",
        description=(
            "The booked day stands in the schedule and takes a place of the bench. A closed or a "
            "full day is refused, with the next free one. A day later than the policy allows is "
            "booked with a caution: the wrench is overdue until its check. A wrench out of service "
            "is booked for its check as left only."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.DUPLICATE_RECORD, created=True, scope=TokenScope.BENCH),
    )
    def book(
        self,
        shop: NamedDependency[Shop],
        request: Request[Any, Any, Any],
        data: JSONBody[BookingInput],
        body: RawBody,
        idempotency_key: IdempotencyKey = None,
    ) -> Response[BookedAnswer]:
        def effect(records: ShopStore) -> JsonResponse[BookedAnswer]:
            if records.wrenches.find(data.wrench) is None:
                raise Refused(
                    [
                        Finding(
                            field="/wrench",
                            detail=f"no wrench {data.wrench!r} is registered",
                            remedy="register it first, or look its serial up",
                        )
                    ]
                )
            book = _book(records, shop)
            booking = records.bookings.add(book.admit(data.record(shop.now())))
            return _booked(records, book, booking.id, status=201)

        return store_once(shop, request, body, idempotency_key, effect)

    @get(
        operation_id="listBookings",
        summary="List bookings",
        description="The one booked last first, a page at a time, with where each stands.",
        sync_to_thread=True,
    )
    def list(
        self,
        shop: NamedDependency[Shop],
        cursor: Cursor = None,
        limit: Limit = paging.USUAL,
        wrench: Annotated[
            str | None,
            QueryParameter(description="Only those of this wrench.", min_length=1, max_length=64),
        ] = None,
    ) -> Response[BookingPage]:
        after = paging.key_of(cursor, "bookings")
        with shop.read() as records:
            found = records.bookings.list(after, limit + 1, wrench)
            book = _book(records, shop)
        page = found[:limit]
        return JsonResponse(
            BookingPage(
                items=tuple(ListedBookingAnswer.of(each, book.keeping(each)) for each in page),
                next_cursor=(
                    paging.cursor_after("bookings", page[-1].id) if len(found) > limit else None
                ),
            ),
            headers=REVALIDATE,
        )

    @get(
        "/{booking_id:str}",
        operation_id="readBooking",
        summary="Read a booking and its history",
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        booking_id: BookingIdPath,
        if_none_match: IfNoneMatch = None,
    ) -> Response[BookingAnswer]:
        with shop.read() as records:
            history = records.bookings.history(booking_id)
        tag = version_tag(history[-1].version)
        if is_fresh(if_none_match, tag):
            return not_modified(tag)
        return JsonResponse(BookingAnswer.of(history), headers={"ETag": tag, **REVALIDATE})

    @patch(
        "/{booking_id:str}",
        operation_id="changeBooking",
        summary="Move or cancel a booking",
        description=(
            "Fields that are left out stay. A booking is cancelled by its status, with the reason, "
            "and kept with its history; one that was kept by a check, or cancelled, stays as it is."
        ),
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.DUPLICATE_RECORD, scope=TokenScope.BENCH),
    )
    def change(
        self,
        shop: NamedDependency[Shop],
        booking_id: BookingIdPath,
        data: JSONBody[BookingChangeInput],
        if_match: IfMatch = None,
    ) -> Response[BookedAnswer]:
        with shop.write() as records:
            current = records.bookings.get(booking_id)
            version = expected_version(if_match, current.version)
            changed = data.applied_to(current, shop.now())
            book = _book(records, shop)
            book.admit_change(current, changed)
            records.bookings.update(changed, version)
            return _booked(records, book, booking_id)


def _book(records: ShopStore, shop: Shop) -> BenchBook:
    policy = records.policy.get()
    today = shop.now().astimezone(ZoneInfo(policy.time_zone)).date()
    return BenchBook(
        policy=policy,
        today=today,
        bookings=records.bookings.every(),
        wrenches={wrench.serial: wrench for wrench in paging.every_wrench(records)},
        last_checks=records.bookings.last_checks(),
    )


def _booked(
    records: ShopStore, book: BenchBook, booking_id: str, *, status: int = 200
) -> JsonResponse[BookedAnswer]:
    history = records.bookings.history(booking_id)
    booking = history[-1]
    headers = {"ETag": version_tag(booking.version), **REVALIDATE}
    if status == 201:
        headers["Location"] = f"{BookingController.path}/{booking.id}"
    cautions = booking_cautions(
        booking,
        book.wrenches[booking.wrench],
        records.bookings.last_evidence(booking.wrench),
        book.policy,
    )
    return JsonResponse(BookedAnswer.of(history, cautions=cautions), status=status, headers=headers)
