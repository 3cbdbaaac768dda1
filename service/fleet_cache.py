"""A shop's evidence and the fleet fitted to it, kept in the process while the evidence stands.

Learning the families' laws takes seconds, placing wrenches under laws already learnt next to none.
Where the cache is told to, a new check therefore moves its wrench at once, under the laws of
earlier evidence, and the laws are learnt anew a while later (`service.relearning`). Answers name
the evidence whose laws they rest on. An entry is known by the shop, the version of its evidence and
the instant asked about, so it can never be stale; the next is made from it by the wrenches that
changed. Two questions at once wait for one fit instead of making two. Work is recorded all day: it
moves due dates, and no fleet is fitted anew for it.
"""

from datetime import datetime
from functools import partial
from threading import Lock
from typing import TYPE_CHECKING, Final, Protocol

from service import metrics
from service.following import Following, Records
from service.kept import Kept, KeptWhile
from service.registry import Registry
from service.relearning import Relearning
from service.shop_evidence import Learnt, ShopEvidence

if TYPE_CHECKING:
    from service.shop_frames import Loaded

MOST_PAST: Final = 2  # evidence as of an instant, of one shop
MOST_ANSWERS: Final = 1024  # about one wrench in one question: some ten kilobytes each


class Source(Records, Protocol):
    """One snapshot of a shop's records, and the evidence in it."""

    def load(self, among: frozenset[str] | None) -> "Loaded":
        """Of some wrenches; None: of all."""
        ...


class FleetCache:
    """What was used last, of every shop of this process.

    relearn_after_s  None: every evidence has laws of its own. Else laws of earlier evidence serve
                     until others are learnt, so many seconds after a change; infinity: never
    """

    def __init__(self, relearn_after_s: float | None = None) -> None:
        self._lock = Lock()
        self._now: dict[str, Following[ShopEvidence]] = {}
        self._past = Kept(MOST_PAST)
        self._learnt: dict[str, Learnt] = {}
        self.registries: Following[Registry] = Following()
        # As they were sent, by the tag of the question, which holds all that they depend on.
        self.answers = Kept(MOST_ANSWERS)
        # Questions asked lately, by the stamp of the store and the count of changes below.
        self.asked = KeptWhile(MOST_ANSWERS)
        self.changes = 0
        self._relearning = None if relearn_after_s is None else Relearning(relearn_after_s)

    def evidence(
        self, shop: str, version: str, as_of: datetime | None, source: Source
    ) -> ShopEvidence:
        """The evidence of a shop at a version as of an instant (None: now).

        source   a snapshot of that version
        """
        if as_of is not None:
            key = shop, version, as_of
            return self._past.get(key, lambda: ShopEvidence.of(version, source.load(None)))

        def whole() -> ShopEvidence:
            return self._entry(
                shop,
                ShopEvidence.of(
                    version,
                    source.load(None),
                    None if self._relearning is None else self._learnt.get(shop),
                    partial(self._keep, shop),
                ),
            )

        def moved_on(before: ShopEvidence, changed: frozenset[str]) -> ShopEvidence:
            return self._entry(
                shop,
                before.moved_on(
                    version,
                    changed,
                    source.load(changed),
                    under_its_laws=self._relearning is not None,
                ),
            )

        return self._following(shop).get(version, source, whole, moved_on)

    def _following(self, shop: str) -> Following[ShopEvidence]:
        with self._lock:
            return self._now.setdefault(shop, Following())

    def _entry(self, shop: str, entry: ShopEvidence) -> ShopEvidence:
        if self._relearning is not None and entry.laws != entry.frames.version:
            self._relearning.soon(shop, partial(self._relearn, shop, entry))
        self.changes += 1
        return entry

    def _keep(self, shop: str, learnt: Learnt) -> None:
        self._learnt[shop] = learnt

    def _relearn(self, shop: str, entry: ShopEvidence) -> None:
        with metrics.timed(metrics.LEARNING_SECONDS):
            learnt = entry.learn()
        self._keep(shop, learnt)
        following = self._following(shop)
        latest = following.latest
        # What came while they were learnt moves under these laws too.
        while latest is not None:
            if following.replace(latest, latest.relearnt(learnt)):
                break
            latest = following.latest
        self.changes += 1
