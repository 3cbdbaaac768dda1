"""Where the shop's records are kept: open a `Store`, then `read` or `write` one shop of it."""

from service.store.errors import (
    AlreadyVoided,
    DuplicateRecord,
    StaleVersion,
    StoreBusy,
    StoreError,
    StoreFull,
    StoreOutOfReach,
    StoreUnusable,
    UnknownRecord,
)
from service.store.idempotency import StoredAnswer
from service.store.store import LOCAL_SHOP, ShopStore, Store

__all__ = [
    "LOCAL_SHOP",
    "AlreadyVoided",
    "DuplicateRecord",
    "ShopStore",
    "StaleVersion",
    "Store",
    "StoreBusy",
    "StoreError",
    "StoreFull",
    "StoreOutOfReach",
    "StoreUnusable",
    "StoredAnswer",
    "UnknownRecord",
]
