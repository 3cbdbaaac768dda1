"""A shop's evidence and the fleet fitted to it, kept in the process while the evidence stands.

Learning the families' laws takes seconds, placing wrenches under laws already learnt next to none.
Where the cache is told to, a new check therefore moves its wrench at once, under the laws that the
store holds, and laws are learnt anew a while later (`service.shop_laws`). Answers name the evidence
whose laws they rest on. An entry is known by the shop, the version of its evidence, that of the
laws in force and the instant asked about, so it can never be stale; the next is made from it by the
wrenches that changed. Two questions at once wait for one fit instead of making two. Work is
recorded all day: it moves due dates, and no fleet is fitted anew for it.
"""

from collections import deque
from collections.abc import Callable
from datetime import datetime
from threading import Lock
from typing import TYPE_CHECKING, Final, Protocol

from service.following import Following, Records
from service.kept import Kept, KeptWhile
from service.registry import Registry
from service.shop_evidence import ShopEvidence

if TYPE_CHECKING:
    from service.shop_frames import Loaded
    from service.shop_laws import Laws, ShopLaws
    from service.store import ShopStore

MOST_PAST: Final = 2  # evidence as of an instant, of one shop
MOST_ANSWERS: Final = 1024  # about one wrench in one question: some ten kilobytes each

# What a shop takes of which everything was asked, measured: `tests/benchmarks/many_shops.py`.
BYTES_OF_A_SHOP: Final = 4 * 2**20
BYTES_OF_A_WRENCH: Final = 200 * 2**10
BYTES_OF_A_READING: Final = 256


class Source(Records, Protocol):
    """One snapshot of a shop's records, and the evidence in it."""

    def load(self, among: frozenset[str] | None) -> "Loaded":
        """Of some wrenches; None: of all."""
        ...


class FleetCache:
    """What was used last of a shop.

    laws   those of the shop's store serve, learnt anew a while after a change; None: every evidence
           has laws of its own
    grown  called whenever the size is another
    """

    def __init__(
        self, laws: "ShopLaws | None" = None, grown: Callable[[], None] = lambda: None
    ) -> None:
        self._lock = Lock()
        self._now: dict[str, Following[ShopEvidence]] = {}
        self._past = Kept(MOST_PAST)
        self._laws = laws
        self._grown = grown
        self._size_now = 0
        self._sizes_past: deque[int] = deque(maxlen=MOST_PAST)
        self.registries: Following[Registry] = Following()
        # As they were sent, by the tag of the question, which holds all that they depend on.
        self.answers = Kept(MOST_ANSWERS)
        # Questions asked lately, by the stamp of the store and the count of changes below.
        self.asked = KeptWhile(MOST_ANSWERS)
        self.changes = 0

    def laws_in_force(self, records: "ShopStore") -> "Laws | None":
        """The laws in a snapshot of the shop; None: each evidence has its own."""
        return None if self._laws is None else self._laws.in_force(records)

    def evidence(
        self,
        shop: str,
        version: str,
        as_of: datetime | None,
        source: Source,
        laws: "Laws | None" = None,
    ) -> ShopEvidence:
        """The evidence of a shop at a version as of an instant (None: now).

        source   a snapshot of that version
        laws     in force in it; as of an instant they do not serve, having been learnt later
        """
        if as_of is not None:
            key = shop, version, as_of
            return self._past.get(key, lambda: self._past_of(version, source))

        def whole() -> ShopEvidence:
            loaded = source.load(None)
            return self._begun(ShopEvidence.of(version, loaded, laws, self._laws))

        def moved_on(before: ShopEvidence, changed: frozenset[str]) -> ShopEvidence:
            if before.frames.version != version:
                loaded = source.load(changed)
                return self._begun(before.moved_on(version, changed, loaded, laws))
            if laws is None or laws.evidence == before.laws:
                return before
            self.changes += 1
            return before.under_laws(laws)

        # Without any they are learnt from this very evidence, and stored as those.
        following = self._following(shop)
        return following.get((version, laws.evidence if laws else version), source, whole, moved_on)

    @property
    def size(self) -> int:
        """Bytes, by estimate: what the evidence takes once everything was asked about it."""
        return BYTES_OF_A_SHOP + self._size_now + sum(self._sizes_past)

    def let_go(self) -> None:
        """Nobody will ask any more: nothing is worked out beforehand."""
        if self._laws is not None:
            self._laws.let_go()

    def _following(self, shop: str) -> Following[ShopEvidence]:
        with self._lock:
            return self._now.setdefault(shop, Following())

    def _past_of(self, version: str, source: Source) -> ShopEvidence:
        entry = ShopEvidence.of(version, source.load(None))
        self._sizes_past.append(_size(entry))
        self._grown()
        return entry

    def _begun(self, entry: ShopEvidence) -> ShopEvidence:
        self._size_now = _size(entry)
        self._grown()
        if self._laws is not None and entry.laws != entry.frames.version:
            self._laws.learn_soon()
        self.changes += 1
        return entry


def _size(entry: ShopEvidence) -> int:
    frames = entry.frames
    return BYTES_OF_A_WRENCH * frames.wrenches.height + BYTES_OF_A_READING * frames.readings
