"""A shop's evidence and the fleet fitted to it, kept in the process while the evidence stands.

Fitting takes seconds; most questions come between two checks and share one fit. An entry is known
by the shop, the version of its evidence and the instant asked about, so it can never be stale. Two
questions at once wait for one fit instead of making two.
"""

from collections import OrderedDict
from collections.abc import Callable, Mapping
from datetime import datetime
from threading import Lock
from typing import TYPE_CHECKING, Final

from service.records import CheckPaper, Policy

if TYPE_CHECKING:
    import polars as pl

    from analysis.due import Due
    from analysis.fleet import FleetFit
    from analysis.range_study import RangeStudy
    from analysis.shop import Shop as FittedShop
    from analysis.vocabulary import Direction
    from analysis.what_if import ShopOutcome
    from service.proofs import Proof

    # The frames WRENCHES, READINGS and CIRCUMSTANCES, and who measured each check.
    Loaded = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, Mapping[str, CheckPaper]]

MOST_ENTRIES: Final = 4


class ShopEvidence:
    """The frames of one shop as of one instant, and what is worked out from them once.

    wrenches       schema `analysis.evidence.WRENCHES`
    deviations     frame of `analysis.deviation.with_deviations`
    circumstances  schema `analysis.evidence.CIRCUMSTANCES`
    papers         who measured each check
    """

    def __init__(
        self,
        wrenches: "pl.DataFrame",
        readings: "pl.DataFrame",
        circumstances: "pl.DataFrame",
        papers: Mapping[str, CheckPaper],
    ) -> None:
        from analysis.deviation import with_deviations

        self.wrenches = wrenches
        self.deviations = with_deviations(wrenches, readings)
        self.circumstances = circumstances
        self._papers = papers
        self._lock = Lock()
        # Apart, so that a study under way holds up no forecast.
        self._study_lock = Lock()
        self._proofs: Mapping[tuple[str, Direction], tuple[Proof, ...]] | None = None
        self._fit: FleetFit | None = None
        self._outcomes: dict[int, tuple[ShopOutcome, ...]] = {}
        self._due: dict[tuple[int, float], dict[tuple[str, Direction], Due]] = {}
        self._studies: dict[int, RangeStudy] = {}

    def of_wrench(self, serial: str) -> "pl.DataFrame":
        """The deviations of one wrench, in both directions."""
        return self.deviations.filter(self.deviations["wrench"] == serial)

    def proofs(self) -> "Mapping[tuple[str, Direction], tuple[Proof, ...]]":
        """The checks of each wrench and direction as proofs, in the order in which they count."""
        from service.proofs import proofs_of

        with self._lock:
            if self._proofs is None:
                self._proofs = proofs_of(self.deviations, self._papers)
            return self._proofs

    def under(self, policy: Policy) -> "FittedShop":
        """The fitted shop under a policy; the first call fits the fleet."""
        from analysis.due import DuePolicy
        from analysis.shop import ShopRules, shop_of

        rules = ShopRules(
            plan_shares=policy.plan_targets,
            plan_repeats=policy.plan_repeats,
            due=DuePolicy(
                reliability_target=policy.reliability_target,
                cap_months=policy.cap_months,
                cap_cycles=policy.cap_cycles,
                floor_days=policy.floor_days,
            ),
            tolerated_pull_risk=policy.tolerated_pull_risk,
        )
        return shop_of(self._fitted(), self.wrenches, self.deviations, rules)

    def all_due(self, policy: Policy, day: float) -> "dict[tuple[str, Direction], Due]":
        """Due of every wrench and direction that has a stated tolerance and a reading."""
        from analysis.shop import due_of_shop

        shop = self.under(policy)
        with self._lock:
            key = policy.version, day
            if key not in self._due:
                self._due = {key: due_of_shop(shop, day)}
            return self._due[key]

    def other_targets(self, policy: Policy) -> "tuple[ShopOutcome, ...]":
        """What other reliability targets would cost and bring for the shop."""
        from analysis.what_if import what_if_of_shop

        shop = self.under(policy)
        with self._lock:
            if policy.version not in self._outcomes:
                self._outcomes = {policy.version: what_if_of_shop(shop).shop}
            return self._outcomes[policy.version]

    def range_study(self, policy: Policy) -> "RangeStudy":
        """What the shop's own checks say about the bottom of the range, under a policy."""
        from analysis.bands import Bands
        from analysis.range_study import StudyRules, range_study
        from analysis.trust_floor import PPK_AIMED_AT

        with self._study_lock:
            if policy.version not in self._studies:
                rules = StudyRules(
                    bands=Bands(policy.low_band_below, policy.upper_band_above),
                    low_mark=policy.caution_below,
                    tolerated_pull_risk=policy.tolerated_pull_risk,
                    ppk_aimed_at=PPK_AIMED_AT,
                )
                study = range_study(self.wrenches, self.deviations, self.circumstances, rules)
                self._studies = {policy.version: study}
            return self._studies[policy.version]

    def _fitted(self) -> "FleetFit":
        from analysis.fleet import fit_fleet

        with self._lock:
            if self._fit is None:
                self._fit = fit_fleet(self.wrenches, self.deviations)
            return self._fit


class FleetCache:
    """The entries used last, of every shop of this process."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._entries: OrderedDict[tuple[str, str, datetime | None], ShopEvidence] = OrderedDict()

    def evidence(
        self,
        shop: str,
        version: str,
        as_of: datetime | None,
        load: "Callable[[], Loaded]",
    ) -> ShopEvidence:
        """The evidence of a shop at a version as of an instant (None: now).

        load   called when there is no entry
        """
        key = shop, version, as_of
        with self._lock:
            found = self._entries.get(key)
            if found is None:
                found = self._entries[key] = ShopEvidence(*load())
            self._entries.move_to_end(key)
            while len(self._entries) > MOST_ENTRIES:
                self._entries.popitem(last=False)
            return found
