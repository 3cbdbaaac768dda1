"""The range study of one evidence, worked out once for each version of the policy."""

from collections.abc import Callable
from threading import Lock
from typing import TYPE_CHECKING

from service.records import Policy
from service.shop_frames import ShopFrames

if TYPE_CHECKING:
    import polars as pl

    from analysis.range_study import RangeStudy


class RangeStudies:
    """Studies of these frames; they rest on no laws and on no recorded work."""

    def __init__(self, frames: ShopFrames) -> None:
        self._frames = frames
        # Its own, so that a study under way holds up no forecast.
        self._lock = Lock()
        self._circumstances: pl.DataFrame | None = None
        self._made: dict[int, RangeStudy] = {}

    def with_circumstances(self, load: "Callable[[], pl.DataFrame]") -> None:
        """Have what a study asks of this very evidence beside it.

        load   gives the frame `analysis.evidence.CIRCUMSTANCES`
        """
        if self._circumstances is None:
            self._circumstances = load()

    def under(self, policy: Policy) -> "RangeStudy":
        """What the shop's own checks say about the bottom of the range."""
        from analysis.bands import Bands
        from analysis.range_study import StudyRules, range_study
        from analysis.trust_floor import PPK_AIMED_AT

        with self._lock:
            if policy.version not in self._made:
                rules = StudyRules(
                    bands=Bands(policy.low_band_below, policy.upper_band_above),
                    low_mark=policy.caution_below,
                    tolerated_pull_risk=policy.tolerated_pull_risk,
                    ppk_aimed_at=PPK_AIMED_AT,
                )
                told = self._circumstances
                assert told is not None  # noqa: S101 - whoever asks for a study has had them read
                frames = self._frames
                study = range_study(frames.wrenches, frames.deviations, told, rules)
                self._made = {policy.version: study}
            return self._made[policy.version]
