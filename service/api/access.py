"""How a request reaches its shop: the store opened for the shop of its caller, and the time."""

from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import datetime

from service.access.caller import Caller
from service.clock import Clock
from service.fleet_cache import FleetCache
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
