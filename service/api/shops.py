"""The shops that this process holds, and the bound of all that it keeps of them.

Whatever is kept of a shop hangs on one `HeldShop`, and goes with it: evidence, fit and answers, the
fleet's day, what pages rest on, its part in learning laws. A shop let go is read again when it is
asked about, and answers as before, since all of it follows from the store.
"""

from dataclasses import dataclass, replace
from threading import Lock
from typing import Final
from weakref import WeakSet

from service import metrics
from service.access.caller import Caller
from service.api.access import Shop
from service.api.fleet_days import FleetDays
from service.api.made_ready import MadeReady
from service.clock import Clock
from service.fleet_cache import FleetCache
from service.held import HeldBySize
from service.relearning import Relearning
from service.settings import ENOUGH_MIB
from service.shop_laws import ShopLaws
from service.store import Store

_MIB: Final = 2**20


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class HeldShop:
    """One shop, as the service itself sees it, and all that the process keeps of it."""

    shop: Shop
    fleet_days: FleetDays
    made_ready: MadeReady

    @property
    def size(self) -> int:
        """Bytes, by estimate."""
        return self.shop.fleets.size

    def is_busy(self) -> bool:
        return self.fleet_days.is_busy() or self.made_ready.is_busy()

    def let_go(self) -> None:
        self.shop.fleets.let_go()


class Shops:
    """The shops of a store.

    relearn_after_s  laws are learnt anew so many seconds after a change, infinity: never; None:
                     every evidence has laws of its own
    learn_apart      as in `service.shop_laws.ShopLaws`
    most_mib         of all shops together, by estimate; the shop in use is held in any case
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        relearn_after_s: float | None = None,
        most_mib: int = ENOUGH_MIB,
        *,
        learn_apart: bool = False,
    ) -> None:
        self.store = store
        self.clock = clock
        self._relearning = None if relearn_after_s is None else Relearning(relearn_after_s)
        self._learn_apart = learn_apart
        self._held = HeldBySize(most_mib * _MIB, self._begun, metrics.note_shops)
        self._lock = Lock()
        # Those let go as well, as long as something of theirs is under way.
        self._alive: WeakSet[ShopLaws | FleetDays | MadeReady] = WeakSet()

    def held(self, key: str) -> HeldShop:
        """The shop with all that is kept of it."""
        return self._held.get(key)

    def shop(self, key: str) -> Shop:
        """The shop as the service itself sees it."""
        return self.held(key).shop

    def shop_of(self, caller: Caller, stamp: object = None) -> Shop:
        """The one shop that the caller's token opens."""
        return replace(self.shop(caller.shop), caller=caller, stamp=stamp)

    def call_off(self) -> None:
        """After this nothing is begun in the background any more, and no laws are stored."""
        with self._lock:
            alive = list(self._alive)
        for each in alive:
            each.call_off()

    def _begun(self, key: str) -> HeldShop:
        laws = None
        if self._relearning is not None:
            laws = ShopLaws(
                self.store, key, self.clock, self._relearning, learn_apart=self._learn_apart
            )
        fleets = FleetCache(laws, lambda: self._held.grown(key))
        shop = Shop(self.store, key, self.clock, fleets)
        held = HeldShop(shop, FleetDays(shop), MadeReady(shop))
        with self._lock:
            self._alive.update((held.fleet_days, held.made_ready))
            if laws is not None:
                self._alive.add(laws)
        return held
