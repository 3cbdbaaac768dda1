"""The fleet's day kept in the process, and worked out in the background when it has changed.

Fitting a fleet takes seconds, which no page is to hang for: it shows what was worked out last, or
says that the first is under way, and asks again.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from threading import Lock, Thread

from service.api.access import Shop
from service.api.paging import registry_of
from service.api.questions import ask
from service.api.today_key import today_key
from service.bookings import BenchBook
from service.fleet_day import FleetDay, fleet_day
from service.store import ShopStore, StoreError


@dataclass(frozen=True, slots=True)
class Seen:
    """What a page has to show.

    day      None: the first is still worked out
    current  whether it is all that could be known now
    failed   it is not, and an attempt ended in a fault, which the log of the process tells
    """

    day: FleetDay | None
    current: bool
    failed: bool = False


class FleetDays:
    """The fleet's day of one shop."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._lock = Lock()
        self._reading = Lock()
        self._called_off = False
        self._key: Hashable = None
        self._begun: Hashable = None
        self._day: FleetDay | None = None
        self._thread: Thread | None = None

    def seen(self) -> Seen:
        """What is known now; when that is not all that could be, working it out begins."""
        with self._shop.read() as records:
            key = self._key_of(records)
        with self._lock:
            if key == self._key:
                return Seen(self._day, current=True)
            if not self.is_busy():
                if key == self._begun:
                    return Seen(self._day, current=False, failed=True)
                self._begun = key
                # A daemon: a fit under way must not hold a process that is to end.
                self._thread = Thread(target=self._work, name="fleet day", daemon=True)
                self._thread.start()
            return Seen(self._day, current=False)

    def call_off(self) -> None:
        """After this the store is not touched any more."""
        with self._reading:
            self._called_off = True

    def wait(self, timeout_s: float) -> bool:
        """Whether nothing is under way any more before the time is over."""
        thread = self._thread
        if thread is not None:
            thread.join(timeout_s)
        return thread is None or not thread.is_alive()

    def is_busy(self) -> bool:
        """Whether the day is being worked out."""
        thread = self._thread
        return thread is not None and thread.is_alive()

    def _key_of(self, records: ShopStore) -> Hashable:
        """Everything that the day depends on."""
        bookings = tuple((booking.id, booking.version) for booking in records.bookings.every())
        return (*today_key(self._shop, records), bookings)

    def _work(self) -> None:
        with self._reading:
            if self._called_off:
                return
            try:
                question = ask(
                    self._shop,
                    lambda records: (
                        self._key_of(records),
                        registry_of(self._shop, records),
                        records.bookings.every(),
                        records.bookings.last_checks(),
                    ),
                    "fleet day",
                    as_of=None,
                    if_none_match=None,
                    by_use=True,
                )
            except StoreError:
                # The store may be back when the page asks again, with nothing changed in it.
                with self._lock:
                    self._begun = None
                return
        key, registry, bookings, last_checks = question.subject
        book = BenchBook(
            policy=question.policy,
            today=question.today,
            bookings=bookings,
            wrenches=registry.by_serial,
            last_checks=last_checks,
        )
        day = fleet_day(question.evidence, registry, book)
        with self._lock:
            self._key, self._day = key, day
