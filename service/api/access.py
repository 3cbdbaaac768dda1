"""How a request reaches its shop: the store opened for the shop of its caller, and the time."""

from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import datetime
from threading import Lock

from service.access.caller import Caller
from service.clock import Clock
from service.fleet_cache import FleetCache
from service.shop_laws import ShopLaws
from service.store import ShopStore, Store


@dataclass(frozen=True, slots=True)
class Shop:
    """One shop's records; nothing here can reach another shop's.

    caller   for whom; None: the service itself, which only reads
    stamp    of the store, taken when the request came (`Store.stamp`)
    """

    store: Store
    key: str
    clock: Clock
    fleets: FleetCache = field(default_factory=FleetCache)
    caller: Caller | None = None
    stamp: object = None

    def read(self) -> AbstractContextManager[ShopStore]:
        """One snapshot of the records."""
        return self.store.read(self.key)

    def write(self) -> AbstractContextManager[ShopStore]:
        """One transaction, undone when an exception leaves it."""
        return self.store.write(self.key, self.caller)

    def now(self) -> datetime:
        return self.clock.now()


class Shops:
    """The shops of a store, and the forecasts that the process keeps of each.

    relearn_after_s  None: every evidence has laws of its own; else as in `service.shop_laws`
    """

    def __init__(self, store: Store, clock: Clock, relearn_after_s: float | None = None) -> None:
        self.store = store
        self.clock = clock
        self._relearn_after_s = relearn_after_s
        self._lock = Lock()
        self._shops: dict[str, Shop] = {}

    def shop(self, key: str) -> Shop:
        """The shop as the service itself sees it."""
        with self._lock:
            if key not in self._shops:
                after_s = self._relearn_after_s
                laws = None if after_s is None else ShopLaws(self.store, key, self.clock, after_s)
                fleets = FleetCache(laws)
                self._shops[key] = Shop(self.store, key, self.clock, fleets)
            return self._shops[key]

    def shop_of(self, caller: Caller, stamp: object = None) -> Shop:
        """The one shop that the caller's token opens."""
        return replace(self.shop(caller.shop), caller=caller, stamp=stamp)

    def call_off(self) -> None:
        """After this no laws are stored any more."""
        with self._lock:
            for shop in self._shops.values():
                shop.fleets.call_off()
