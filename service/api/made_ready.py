"""What a page rests on, worked out beside it: no page is held for seconds.

A fit, the due dates and the range study take from a moment to minutes, by the size of the shop. A
page asks whether they are there; when they are not, working them out begins, and the page says so.
"""

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from threading import Lock, Thread
from typing import Final

from service.api.access import Shop
from service.api.paging import registry_of
from service.api.questions import Question, ask
from service.api.today_key import today_key
from service.pull import PullDay
from service.registry import Registry
from service.store import StoreError
from service.whole_shop import WholeShop

PATIENCE_S: Final = 0.1  # a new check in a small shop takes less


@dataclass(slots=True)
class _Work:
    key: Hashable = None
    thread: Thread | None = None

    def is_done(self) -> bool:
        thread = self.thread
        return thread is None or not thread.is_alive()


class MadeReady:
    """The forecasts and the range study of one shop.

    After an attempt that ended in a fault it counts as ready: the page that asks will find the
    fault itself, and tell of it.
    """

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._lock = Lock()
        self._reading = Lock()
        self._called_off = False
        self._forecasts, self._study = _Work(), _Work()

    def forecasts(self) -> bool:
        """Whether a question about any pull today can be answered at once."""
        return self._ready(self._forecasts, _foresee)

    def study(self) -> bool:
        """Whether the range study can be shown at once."""
        return self._ready(self._study, _study)

    def is_busy(self) -> bool:
        """Whether something is being worked out."""
        return not (self._forecasts.is_done() and self._study.is_done())

    def call_off(self) -> None:
        """After this the store is not touched any more."""
        with self._reading:
            self._called_off = True

    def _ready(self, work: _Work, do: "Callable[[Question[Registry]], None]") -> bool:
        with self._shop.read() as records:
            key = today_key(self._shop, records)
        with self._lock:
            if work.is_done():
                if work.key == key:
                    return True
                work.key = key
                # A daemon: a fit under way must not hold a process that is to end.
                work.thread = Thread(target=self._run, args=(do,), name="page", daemon=True)
                work.thread.start()
            thread = work.thread
        if thread is not None:
            thread.join(PATIENCE_S)
        return work.is_done() and work.key == key

    def _run(self, do: "Callable[[Question[Registry]], None]") -> None:
        with self._reading:
            if self._called_off:
                return
            try:
                question = ask(
                    self._shop,
                    lambda records: registry_of(self._shop, records),
                    "made ready",
                    as_of=None,
                    if_none_match=None,
                    by_use=True,
                    studies=do is _study,
                )
            except StoreError:
                return  # the page that asks says so
        do(question)


def _foresee(question: Question[Registry]) -> None:
    by = PullDay.of(question.evidence, question.policy, question.day)
    WholeShop(by, question.subject).riskiest()


def _study(question: Question[Registry]) -> None:
    question.evidence.studies.under(question.policy)
