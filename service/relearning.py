"""Work that is done a while after it was last asked for, in the background, once for many askings.

The checks of one morning come one by one; the families' laws are learnt anew once they are all in.
"""

import logging
import math
from collections.abc import Callable
from threading import Condition, Thread

from service import metrics

_log = logging.getLogger(__name__)


class Relearning:
    """Work waiting by subject; a later asking of the same subject takes the place of an earlier.

    after_s  seconds from the first asking that is not yet served to the work; infinity: never
    """

    def __init__(self, after_s: float) -> None:
        self._after_s = after_s
        self._waiting: dict[str, Callable[[], None]] = {}
        self._changed = Condition()
        self._thread: Thread | None = None

    def soon(self, subject: str, work: Callable[[], None]) -> None:
        """Have the work done after the pause."""
        if self._after_s == math.inf:
            return
        with self._changed:
            if subject not in self._waiting:
                metrics.LEARNING_WAITING.inc()
            self._waiting[subject] = work
            if self._thread is None:
                # A daemon: work under way must not hold a process that is to end.
                self._thread = Thread(target=self._serve, name="relearning", daemon=True)
                self._thread.start()

    def wait(self, timeout_s: float) -> bool:
        """Whether all that was asked for is done before the time is."""
        with self._changed:
            return self._changed.wait_for(lambda: self._thread is None, timeout_s)

    def _serve(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: False, self._after_s)
                due, self._waiting = self._waiting, {}
            for work in due.values():
                self._do(work)
            with self._changed:
                if not self._waiting:
                    self._thread = None
                    self._changed.notify_all()
                    return

    def _do(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception:
            # A defect; what is asked for later is another matter, and must not wait for ever.
            _log.exception("work in the background failed")
        finally:
            metrics.LEARNING_WAITING.dec()
