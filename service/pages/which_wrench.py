"""Which wrench a person means, and which of its directions."""

from difflib import get_close_matches

from analysis.vocabulary import Direction
from service.api.access import Shop
from service.api.paging import registry_of
from service.records import Wrench
from service.store import ShopStore


def as_scanned(shop: Shop, records: ShopStore, text: str) -> Wrench | None:
    """The wrench of a serial; a scanner or a hand may give other capitals than the register."""
    exact = records.wrenches.find(text)
    if exact is not None:
        return exact
    registry = registry_of(shop, records)
    alike = registry.by_folded.get(text.casefold(), ())
    return registry.by_serial[alike[0]] if len(alike) == 1 else None


def similar(shop: Shop, records: ShopStore, text: str) -> list[str]:
    """Serials that look like one that is not there."""
    by_folded = registry_of(shop, records).by_folded
    near = get_close_matches(text.casefold(), by_folded, n=5)
    return [serial for each in near for serial in by_folded[each]]


def stated(wrench: Wrench) -> list[Direction]:
    """The directions with a stated tolerance; every wrench on record has one at least."""
    return [each for each in Direction if wrench.mpd(each) is not None]


def way_of(wrench: Wrench, asked: str) -> Direction:
    """The direction asked for where it has a stated tolerance, else the first that has one."""
    ways = stated(wrench)
    return next((each for each in ways if each == asked), ways[0])
