"""The shop's forecasts, worked out when the server starts, so that the first question finds them.

In a thread of its own, since it takes seconds and the service is to answer meanwhile. A question
that comes before it is done waits for the same fit instead of making another.
"""

from collections.abc import Callable
from threading import Lock, Thread

from service.api.access import Shop
from service.api.questions import Question, ask
from service.store import StoreError


class WarmUp:
    """One working-out of the standing forecasts, which can be called off.

    shop   as it is held

    Where the store cannot be read it does nothing: readiness and the first question say so.
    """

    def __init__(self, shop: Callable[[], Shop]) -> None:
        self._shop = shop
        self._reading = Lock()
        self._called_off = False
        # A daemon: a fit under way must not hold a process that is to end.
        self._thread = Thread(target=self._work, name="warm-up", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def call_off(self) -> None:
        """After this the store is not touched any more, and no new step begins."""
        with self._reading:
            self._called_off = True

    def wait(self, timeout_s: float) -> bool:
        """Whether it is over before the time is."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        if (question := self._question()) is None:
            return
        evidence, policy = question.evidence, question.policy
        evidence.under(policy)
        if not self._called_off:
            evidence.all_due(policy, question.day)
        if not self._called_off:
            evidence.other_targets(policy)
        # Last: it takes longest, and is asked for least.
        if (question := self._question(studies=True)) is not None:
            question.evidence.studies.under(question.policy)

    def _question(self, *, studies: bool = False) -> Question[None] | None:
        """None: called off, or the store cannot be read."""
        with self._reading:
            if self._called_off:
                return None
            try:
                return ask(
                    self._shop(),  # at each step, as it may be let go between them
                    lambda _: None,
                    "warm-up",
                    as_of=None,
                    if_none_match=None,
                    by_use=True,
                    studies=studies,
                )
            except StoreError:
                return None
