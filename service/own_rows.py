"""What each wrench's own rows say, for `service.by_wrench`: no wrench needs another's."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from service.shop_frames import ShopFrames

if TYPE_CHECKING:
    from analysis.standing import Standing
    from analysis.vocabulary import Member
    from analysis.wrench_range import WrenchRange
    from service.proofs import Proof
    from service.shop_frames import Loaded


def proofs(frames: ShopFrames, loaded: "Loaded") -> "Mapping[Member, tuple[Proof, ...]]":
    """The checks of each wrench and direction as proofs, in the order in which they count."""
    from service.proofs import proofs_of

    return proofs_of(frames.deviations, loaded[2])


def standings(frames: ShopFrames) -> "Mapping[Member, Standing]":
    from analysis.standing import standings

    return standings(frames.deviations)


def pace(frames: ShopFrames) -> "Mapping[str, float]":
    """Cycles a day, where counts tell them."""
    from analysis.use_pace import cycles_per_day

    return cycles_per_day(frames.deviations)


def ranges(frames: ShopFrames) -> "Mapping[str, WrenchRange]":
    from analysis.wrench_range import wrench_ranges

    return wrench_ranges(frames.wrenches)
