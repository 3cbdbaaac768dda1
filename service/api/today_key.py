"""What every forecast of today depends on: as long as it is the same, so are they."""

from collections.abc import Hashable
from zoneinfo import ZoneInfo

from service.api.access import Shop
from service.store import ShopStore


def today_key(shop: Shop, records: ShopStore) -> tuple[Hashable, ...]:
    """The versions of what is recorded and ruled, and the shop's date."""
    policy = records.policy.get()
    return (
        records.evidence_version(),
        records.pulls_version(),
        policy.version,
        shop.now().astimezone(ZoneInfo(policy.time_zone)).date(),
    )
