"""Which wrench a person means, and which of its directions."""

from difflib import get_close_matches

from analysis.vocabulary import Direction
from service.api.paging import every_wrench
from service.records import Wrench
from service.store import ShopStore


def as_scanned(records: ShopStore, text: str) -> Wrench | None:
    """The wrench of a serial; a scanner or a hand may give other capitals than the register."""
    exact = records.wrenches.find(text)
    if exact is not None:
        return exact
    alike = [each for each in every_wrench(records) if each.serial.casefold() == text.casefold()]
    return alike[0] if len(alike) == 1 else None


def similar(records: ShopStore, text: str) -> list[str]:
    """Serials that look like one that is not there."""
    by_folded = {each.serial.casefold(): each.serial for each in every_wrench(records)}
    return [by_folded[near] for near in get_close_matches(text.casefold(), by_folded, n=5)]


def stated(wrench: Wrench) -> list[Direction]:
    """The directions with a stated tolerance; every wrench on record has one at least."""
    return [each for each in Direction if wrench.mpd(each) is not None]


def way_of(wrench: Wrench, asked: str) -> Direction:
    """The direction asked for where it has a stated tolerance, else the first that has one."""
    ways = stated(wrench)
    return next((each for each in ways if each == asked), ways[0])
