"""How often a caller may ask: a bucket for each, full at first and filled again at a steady rate.

Kept in the process: with several workers, each counts for itself.
"""

import math
import time
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import Final

_MOST_KEPT: Final = 10_000


class TooMany(Exception):  # noqa: N818 - an answer about a caller
    """Asked too often; asking again after `retry_after_s` seconds is in order."""

    def __init__(self, what: str, retry_after_s: int) -> None:
        super().__init__(f"{what}; wait {retry_after_s} s")
        self.retry_after_s = retry_after_s


class Rates:
    """Buckets of one size, by key.

    per_minute   what a bucket holds, and what flows into it in a minute
    """

    def __init__(self, per_minute: int, clock: Callable[[], float] = time.monotonic) -> None:
        self.per_minute = per_minute
        self._clock = clock
        self._lock = Lock()
        # Level and the time of that level, the one asked for last at the end.
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, key: str, what: str) -> None:
        """Take one from the bucket; raises TooMany with `what` when it is empty."""
        now = self._clock()
        with self._lock:
            level, at = self._buckets.get(key, (float(self.per_minute), now))
            level = min(self.per_minute, level + (now - at) * self.per_minute / 60)
            if level < 1:
                raise TooMany(what, math.ceil((1 - level) * 60 / self.per_minute))
            self._buckets[key] = (level - 1, now)
            self._buckets.move_to_end(key)
            # The one that nobody has asked for longest is the fullest: little is forgotten.
            while len(self._buckets) > _MOST_KEPT:
                self._buckets.popitem(last=False)
