"""A shop's evidence and the fleet fitted to it, kept in the process while the evidence stands.

Learning the families' laws takes seconds, placing wrenches under laws already learnt next to none.
Where the cache is told to, a new check therefore moves its wrench at once, under the laws of
earlier evidence, and the laws are learnt anew a while later (`service.relearning`). Answers name
the evidence whose laws they rest on. An entry is known by the shop, the version of its evidence and
the instant asked about, so it can never be stale. Two questions at once wait for one fit instead of
making two. Work is recorded all day: it moves due dates, and no fleet is fitted anew for it.
"""

import copy
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, partial
from threading import Lock
from typing import TYPE_CHECKING, Final, cast

from service import metrics
from service.frames import instant_of_day
from service.kept import Kept, KeptWhile
from service.records import CheckPaper, Policy
from service.relearning import Relearning
from service.rules import rules_of

if TYPE_CHECKING:
    import polars as pl

    from analysis.due import Due, Outlooks
    from analysis.fleet import FleetFit
    from analysis.range_study import RangeStudy
    from analysis.shop import Shop as FittedShop
    from analysis.shop_day import ShopDay
    from analysis.standing import Standing
    from analysis.use_since import Work
    from analysis.vocabulary import Direction
    from analysis.what_if import ShopOutcome
    from service.proofs import Proof

    # The frames WRENCHES, READINGS and CIRCUMSTANCES, and who measured each check.
    Loaded = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, Mapping[str, CheckPaper]]

MOST_ENTRIES: Final = 4
MOST_DAYS: Final = 2  # of one evidence: two kilobytes a wrench and direction each
MOST_BY_WORK: Final = 64
MOST_ANSWERS: Final = 1024  # about one wrench in one question: some ten kilobytes each


@dataclass(frozen=True, slots=True)
class ShopFrames:
    """What the records hold of one shop as of one instant.

    version        of the evidence
    wrenches       schema `analysis.evidence.WRENCHES`
    deviations     frame of `analysis.deviation.with_deviations`
    circumstances  schema `analysis.evidence.CIRCUMSTANCES`
    papers         who measured each check
    """

    version: str
    wrenches: "pl.DataFrame"
    deviations: "pl.DataFrame"
    circumstances: "pl.DataFrame"
    papers: Mapping[str, CheckPaper]

    @classmethod
    def of(cls, version: str, loaded: "Loaded") -> "ShopFrames":
        from analysis.deviation import with_deviations

        wrenches, readings, circumstances, papers = loaded
        return cls(version, wrenches, with_deviations(wrenches, readings), circumstances, papers)


@dataclass(frozen=True, slots=True)
class Learnt:
    """A fleet with its laws, and the evidence that they were learnt from.

    version     of that evidence
    deviations  frame of `analysis.deviation.with_deviations`
    """

    version: str
    deviations: "pl.DataFrame"
    fit: "FleetFit"


class ShopEvidence:
    """The frames of one shop, and what is worked out from them once.

    earlier  what was learnt before, from this evidence or an earlier one; None: nothing
    learnt   told what is learnt from this evidence
    """

    def __init__(
        self,
        frames: ShopFrames,
        earlier: Learnt | None = None,
        learnt: Callable[[Learnt], None] = lambda _: None,
    ) -> None:
        self.frames = frames
        self._earlier = earlier
        self._tell = learnt
        self._lock = Lock()
        self._due_lock = Lock()
        # Apart, so that a study under way holds up no forecast.
        self._study_lock = Lock()
        self._proofs: Mapping[tuple[str, Direction], tuple[Proof, ...]] | None = None
        self._standings: Mapping[tuple[str, Direction], Standing] | None = None
        # What hangs on the laws and a day, and what hangs on the recorded work as well.
        self._days = Kept(MOST_DAYS)
        self.by_work = Kept(MOST_BY_WORK)
        self._fit: FleetFit | None = None
        self._outcomes: dict[int, tuple[ShopOutcome, ...]] = {}
        self._due: dict[tuple[int, float], dict[tuple[str, Direction], Due]] = {}
        self._outlooks: dict[tuple[int, float], tuple[Outlooks, ...]] = {}
        self._studies: dict[int, RangeStudy] = {}
        self._work: Mapping[tuple[str, Direction], Work] = {}
        # What does not hang on the work is kept by the one that the others were made from.
        self._base = self
        self._latest: tuple[object, ShopEvidence] | None = None

    def with_work(
        self, version: object, load: "Callable[[], Mapping[tuple[str, Direction], Work]]"
    ) -> "ShopEvidence":
        """The same evidence and fit, beside the work on record since each last check.

        version   changes whenever `load` could give another answer
        """
        latest = self._latest
        if latest is None or latest[0] != version:
            # Two that ask at once may both make one: they are alike.
            other = copy.copy(self)
            other._work = load()
            other._due_lock, other._due = Lock(), {}
            other.by_work = Kept(MOST_BY_WORK)
            latest = version, other
            self._latest = latest
        return latest[1]

    @property
    def wrenches(self) -> "pl.DataFrame":
        return self.frames.wrenches

    @property
    def deviations(self) -> "pl.DataFrame":
        return self.frames.deviations

    @cached_property
    def latest(self) -> datetime | None:
        """When the latest check was performed; None: there is none."""
        day = self.deviations["day"].max()
        return None if day is None else instant_of_day(cast("float", day))

    @property
    def laws(self) -> str:
        """Version of the evidence whose laws serve this one, as far as they cover its wrenches."""
        return self._earlier.version if self._earlier else self.frames.version

    def of_wrench(self, serial: str) -> "pl.DataFrame":
        """The deviations of one wrench, in both directions."""
        return self.deviations.filter(self.deviations["wrench"] == serial)

    def proofs(self) -> "Mapping[tuple[str, Direction], tuple[Proof, ...]]":
        """The checks of each wrench and direction as proofs, in the order in which they count."""
        from service.proofs import proofs_of

        base = self._base
        with base._lock:
            if base._proofs is None:
                base._proofs = proofs_of(self.deviations, self.frames.papers)
            return base._proofs

    def standing(self, serial: str, direction: "Direction") -> "Standing":
        """What the checks of one wrench say in one direction."""
        from analysis.standing import UNKNOWN, standings

        base = self._base
        with base._lock:
            if base._standings is None:
                base._standings = standings(self.deviations)
            return base._standings.get((serial, direction), UNKNOWN)

    def under(self, policy: Policy) -> "FittedShop":
        """The fitted shop under a policy; the first call fits the fleet."""
        key = "shop", policy.version, policy.tolerated_pull_risk
        return self.by_work.get(key, lambda: self._under(policy))

    def _under(self, policy: Policy) -> "FittedShop":
        from analysis.shop import shop_of

        return shop_of(self._fitted(), self.wrenches, self.deviations, rules_of(policy), self._work)

    def all_due(self, policy: Policy, day: float) -> "dict[tuple[str, Direction], Due]":
        """Due of every wrench and direction that has a stated tolerance and a reading."""
        from analysis.shop import due_of_shop, outlooks_of_shop

        shop, base = self.under(policy), self._base
        key = policy.version, day
        with base._lock:
            if key not in base._outlooks:
                base._outlooks = {key: outlooks_of_shop(shop, day)}
            seen = base._outlooks[key]
        with self._due_lock:
            if key not in self._due:
                self._due = {key: due_of_shop(shop, day, seen)}
            return self._due[key]

    def shop_day(self, policy: Policy, today: float, day: float) -> "ShopDay":
        """Every wrench on a day foreseen today, under the policy's plan."""
        from analysis.shop_day import shop_day

        def made() -> "ShopDay":
            passing = None
            if day == today:
                # The due dates have found it on their way.
                due = self.all_due(policy, today)
                passing = {member: each.waits[0].pass_probability for member, each in due.items()}
            return shop_day(self._base.under(policy), day, passing)

        return self._base._days.get((policy.version, day), made)

    def forecasts(self, policy: Policy, day: float) -> "pl.DataFrame":
        """Every wrench and direction at once, columns `analysis.fleet_forecast.FORECASTS`."""
        key = "forecasts", policy.version, day
        return self.by_work.get(key, lambda: self._forecasts(policy, day))

    def _forecasts(self, policy: Policy, day: float) -> "pl.DataFrame":
        from analysis.bands import Bands
        from analysis.fleet_forecast import FleetQuestion, forecast_part
        from analysis.fleet_laws import FleetLaws

        families = self._fitted().families
        laws = FleetLaws({(family.direction, family.name): family for family in families}, {})
        bands = Bands(policy.low_band_below, policy.upper_band_above)
        question = FleetQuestion(rules_of(policy), bands, day, self._work)
        return forecast_part(laws, self.wrenches, self.deviations, question)

    def other_targets(self, policy: Policy) -> "tuple[ShopOutcome, ...]":
        """What other reliability targets would cost and bring for the shop.

        As if every interval to come were like this one, so at the wrenches' pace and not by the
        work of this interval.
        """
        from analysis.what_if import what_if_of_shop

        if self is not self._base:
            return self._base.other_targets(policy)
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
            if policy.version not in self._base._studies:
                rules = StudyRules(
                    bands=Bands(policy.low_band_below, policy.upper_band_above),
                    low_mark=policy.caution_below,
                    tolerated_pull_risk=policy.tolerated_pull_risk,
                    ppk_aimed_at=PPK_AIMED_AT,
                )
                study = range_study(
                    self.wrenches, self.deviations, self.frames.circumstances, rules
                )
                self._base._studies = {policy.version: study}
            return self._base._studies[policy.version]

    def learn(self) -> Learnt:
        """The laws of this very evidence; takes seconds."""
        from analysis.fleet import fit_fleet

        return Learnt(
            self.frames.version, self.deviations, fit_fleet(self.wrenches, self.deviations)
        )

    def relearnt(self, learnt: Learnt) -> "ShopEvidence":
        """The same frames under laws learnt from them; what does not rest on laws is kept."""
        anew = ShopEvidence(self.frames, learnt, self._tell)
        anew._proofs = self._proofs
        anew._standings = self._standings
        anew._studies = self._studies
        return anew

    def _fitted(self) -> "FleetFit":
        base = self._base
        with base._lock:
            if base._fit is None:
                base._fit = self._updated()
            if base._fit is None:
                learnt = self.learn()
                base._fit = learnt.fit
                self._tell(learnt)
            return base._fit

    def _updated(self) -> "FleetFit | None":
        """The fleet under earlier laws; None where there are none, or not for every wrench."""
        from analysis.fleet_update import changed_wrenches, update_fleet

        if self._earlier is None:
            return None
        changed = changed_wrenches(self._earlier.deviations, self.deviations)
        return update_fleet(self._earlier.fit, self.wrenches, self.deviations, changed)


Key = tuple[str, str, datetime | None]


class FleetCache:
    """The entries used last, of every shop of this process.

    relearn_after_s  None: every evidence has laws of its own. Else laws of earlier evidence serve
                     until others are learnt, so many seconds after a change; infinity: never
    """

    def __init__(self, relearn_after_s: float | None = None) -> None:
        self._lock = Lock()
        self._entries: OrderedDict[Key, ShopEvidence] = OrderedDict()
        self._learnt: dict[str, Learnt] = {}
        self.registries = Kept(MOST_ENTRIES)
        # As they were sent, by the tag of the question, which holds all that they depend on.
        self.answers = Kept(MOST_ANSWERS)
        # Questions asked lately, by the stamp of the store and the count of changes below.
        self.asked = KeptWhile(MOST_ANSWERS)
        self.changes = 0
        self._relearning = None if relearn_after_s is None else Relearning(relearn_after_s)

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
                found = self._entries[key] = self._entry(key, load())
                self.changes += 1
            self._entries.move_to_end(key)
            while len(self._entries) > MOST_ENTRIES:
                self._entries.popitem(last=False)
            return found

    def _entry(self, key: Key, loaded: "Loaded") -> ShopEvidence:
        shop, version, as_of = key
        frames = ShopFrames.of(version, loaded)
        if self._relearning is None or as_of is not None:
            return ShopEvidence(frames)
        entry = ShopEvidence(frames, self._learnt.get(shop), partial(self._keep, shop))
        if entry.laws != version:
            self._relearning.soon(shop, partial(self._relearn, key, entry))
        return entry

    def _keep(self, shop: str, learnt: Learnt) -> None:
        self._learnt[shop] = learnt

    def _relearn(self, key: Key, entry: ShopEvidence) -> None:
        with metrics.timed(metrics.LEARNING_SECONDS):
            learnt = entry.learn()
        self._keep(key[0], learnt)
        with self._lock:
            if self._entries.get(key) is entry:
                self._entries[key] = entry.relearnt(learnt)
                self.changes += 1
