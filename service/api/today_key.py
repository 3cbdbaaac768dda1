"""What every forecast of today depends on: as long as it is the same, so are they."""

from collections.abc import Hashable
from zoneinfo import ZoneInfo

from service.api.access import Shop
from service.store import ShopStore


def today_key(shop: Shop, records: ShopStore) -> tuple[Hashable, ...]:
    """The versions of what is recorded, learnt and ruled, and the shop's date."""
    policy, laws = records.policy.get(), shop.fleets.laws_in_force(records)
    return (
        records.evidence_version(),
        # Without any they will be learnt from this very evidence.
        records.evidence_version() if laws is None else laws.evidence,
        records.pulls_version(),
        policy.version,
        shop.now().astimezone(ZoneInfo(policy.time_zone)).date(),
    )
