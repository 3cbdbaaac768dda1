"""The evidence of one shop as of one version, and all that is worked out from it once.

The next version is made from this one: what rests on a wrench's own checks is worked out anew for
the wrenches that changed, and for no other. Under laws learnt earlier a fleet takes a new check in
the same way; laws themselves are learnt from all of the shop's checks.
"""

import copy
from collections.abc import Callable, Hashable, Mapping, Set
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from threading import Lock
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

from analysis.vocabulary import Direction, Member
from service import own_rows
from service.by_wrench import ByWrench, KeptByMember, exchanged
from service.following import Following, Records
from service.frames import instant_of_day
from service.kept import Kept
from service.placing import Placing
from service.range_studies import RangeStudies
from service.records import Policy
from service.rules import rules_of
from service.shop_frames import ShopFrames

if TYPE_CHECKING:
    import polars as pl

    from analysis.due import Due
    from analysis.shop import Shop as FittedShop
    from analysis.shop_day import ShopDay
    from analysis.standing import Standing
    from analysis.use_since import Work
    from analysis.what_if import ShopOutcome, TargetOutcome
    from analysis.wrench_range import WrenchRange
    from service.proofs import Proof
    from service.shop_frames import Loaded
    from service.shop_laws import Laws, ShopLaws


Made = TypeVar("Made")

# What is worked out without laws.
_NOT_BY_LAWS: Final = ("by_checks", "studies", "_standings", "_pace", "_ranges", "_works")
MOST_DAYS: Final = 2  # of one evidence: two kilobytes a wrench and direction each
MOST_BY_WORK: Final = 64
_DUE_AT_ONCE: Final = 64  # members; what is found of them others can use meanwhile


@dataclass(frozen=True, slots=True)
class _OnRecord:
    """The work on record since each last check, nothing more being expected up to a day."""

    until_day: float
    work: "Mapping[Member, Work]"


class _Once:
    """What does not hang on the recorded work: of an evidence and of all that stand beside work."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.line_up_lock = Lock()
        self.outcomes: dict[int, tuple[ShopOutcome, ...]] = {}
        self.line_ups: dict[Hashable, tuple[Any, frozenset[str]]] = {}


class ShopEvidence:
    """The frames of one shop, and what is worked out from them; begun by `of`.

    proofs    the checks of each wrench and direction as proofs, in the order in which they count
    """

    def __init__(
        self,
        frames: ShopFrames,
        proofs: "Mapping[Member, tuple[Proof, ...]]",
        placing: Placing,
    ) -> None:
        self.frames = frames
        self.proofs = proofs
        self._standings: ByWrench[Member, Standing] = ByWrench(own_rows.standings, frames)
        self._pace: ByWrench[str, float] = ByWrench(own_rows.pace, frames)
        self._ranges: ByWrench[str, WrenchRange] = ByWrench(own_rows.ranges, frames)
        self._placing = placing
        self._once = _Once()
        self._due_lock = Lock()
        self.studies = RangeStudies(frames)
        # What hangs on the laws and a day, and what hangs on the recorded work as well.
        self._days = Kept(MOST_DAYS)
        self.by_work = Kept(MOST_BY_WORK)
        # What hangs on one history: on its checks alone, and on the laws as well; and the pulls.
        self.by_checks = KeptByMember()
        self.by_member = KeptByMember()
        self.judged = KeptByMember()
        self._due: dict[tuple[int, float], dict[Member, Due]] = {}
        self._work: Mapping[Member, Work] = {}
        self._works: Following[_OnRecord] = Following()
        # The one beside the work of now, which knows nothing of this: what nobody asks any more is
        # then freed at once, and no circle waits for the collector.
        self._latest: tuple[object, ShopEvidence] | None = None

    @classmethod
    def of(
        cls,
        version: str,
        loaded: "Loaded",
        in_force: "Laws | None" = None,
        shared: "ShopLaws | None" = None,
    ) -> "ShopEvidence":
        """The evidence as it was read whole.

        in_force  laws that the store holds; they serve if they cover every wrench. None: none
        shared    whose laws they are; None: this evidence has laws of its own
        """
        frames = ShopFrames.of(version, loaded)
        placing = Placing.of(frames, in_force, shared)
        return cls(frames, own_rows.proofs(frames, loaded), placing)

    def moved_on(
        self, version: str, changed: Set[str], loaded: "Loaded", in_force: "Laws | None" = None
    ) -> "ShopEvidence":
        """The evidence after this one.

        changed   the wrenches that may have changed
        loaded    of these alone
        in_force  as in `of`
        """
        now = ShopFrames.of(version, loaded)
        moved = self.frames.differing(changed, now)
        frames = self.frames.moved_on(version, changed, now)
        proofs = exchanged(self.proofs, changed, own_rows.proofs(now, loaded))
        placing = self._placing.moved_on(frames, now, moved, in_force)
        anew = ShopEvidence(frames, proofs, placing)
        anew._standings = self._standings.moved_on(frames, changed, now)
        anew._pace = self._pace.moved_on(frames, changed, now)
        anew._ranges = self._ranges.moved_on(frames, changed, now)
        anew._works = self._works
        papers = {
            (serial, way)
            for serial in changed
            for way in Direction
            if self.proofs.get((serial, way)) != proofs.get((serial, way))
        }
        anew.by_checks = self.by_checks.without(moved | papers)
        if anew.laws == self.laws:
            anew.by_member = self.by_member.without(moved)
            anew.judged = self.judged.without(moved | papers)
            anew._once.line_ups = {
                key: (made, since | changed) for key, (made, since) in self._once.line_ups.items()
            }
        return anew

    def with_work(
        self,
        pulls_version: int,
        until_day: float,
        records: Records,
        load: "Callable[[frozenset[str] | None], dict[Member, Work]]",
    ) -> "ShopEvidence":
        """The same evidence and fit, beside the work on record since each last check.

        pulls_version  of the recorded work
        until_day      up to which nothing more is expected
        records        the snapshot that `load` reads
        load           of some wrenches; None: of all
        """
        version = pulls_version, until_day
        latest = self._latest
        if latest is None or latest[0] != version:
            # Two that ask at once may both make one: they are alike.
            other = copy.copy(self)
            other._work = self._works.get(
                (self.frames.version, *version),
                records,
                lambda: _OnRecord(until_day, load(None)),
                lambda before, changed: _OnRecord(
                    until_day,
                    exchanged(before.work, changed, load(changed))
                    if before.until_day == until_day
                    else load(None),
                ),
            ).work
            other._due_lock, other._due = Lock(), {}
            other.by_work = Kept(MOST_BY_WORK)
            other._latest = None
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
        """Version of the evidence whose laws serve this one."""
        return self._placing.laws

    def of_wrench(self, serial: str) -> "pl.DataFrame":
        """The deviations of one wrench, in both directions."""
        return self.frames.of_wrench(serial)

    def standing(self, serial: str, direction: "Direction") -> "Standing":
        """What the checks of one wrench say in one direction."""
        from analysis.standing import UNKNOWN

        return self._standings.get().get((serial, direction), UNKNOWN)

    def under(self, policy: Policy) -> "FittedShop":
        """The fitted shop under a policy; the first call fits the fleet."""
        key = "shop", policy.version, policy.tolerated_pull_risk
        return self.by_work.get(key, lambda: self._under(policy, self._work))

    def _under(self, policy: Policy, work: "Mapping[Member, Work]") -> "FittedShop":
        from analysis.shop import Shop

        return Shop(
            fit=self._placing.fit(),
            ranges=self._ranges.get(),
            deviations=self.deviations,
            pace=self._pace.get(),
            rules=rules_of(policy),
            work=work,
        )

    def due(self, policy: Policy, day: float, serial: str, direction: "Direction") -> "Due":
        """Due of one wrench in one direction.

        Raises as `analysis.shop.due_of_wrench` does.
        """
        from analysis.shop import due_of_wrench, outlooks_of_wrench

        member = serial, direction

        def made() -> "Due":
            shop = self.under(policy)
            seen = self.by_member.get(
                member,
                "outlooks",
                (policy.version, day),
                lambda: outlooks_of_wrench(shop, *member, day),
            )
            return due_of_wrench(shop, *member, day, seen)

        return self.by_member.get(member, *self._asked_due(policy, day, member), made)

    def what_if(
        self, policy: Policy, serial: str, direction: "Direction"
    ) -> "tuple[TargetOutcome, ...]":
        """What other reliability targets would mean for one wrench; raises as `due` does."""
        from analysis.what_if import curve_of_wrench, what_if_of_wrench

        member = serial, direction

        def made() -> "tuple[TargetOutcome, ...]":
            shop = self.under(policy)
            curve = self.by_member.get(
                member, "curve", policy.version, lambda: curve_of_wrench(shop, *member)
            )
            return what_if_of_wrench(shop, *member, curve=curve)

        by = policy.version, self.use_of(member)
        return self.by_member.get(member, "what if", by, made)

    def known_due(self, policy: Policy, day: float, member: "Member") -> "Due | None":
        """The same where it is known already."""
        found = self.by_member.find(member, *self._asked_due(policy, day, member))
        return cast("Due | None", found)

    def _asked_due(self, policy: Policy, day: float, member: "Member") -> tuple[Hashable, Hashable]:
        return "due", (policy.version, day, self.use_of(member))

    def use_of(self, member: "Member") -> tuple[object, float | None]:
        """The work on record since the last check, and the pace: the latter from checks in both
        directions.
        """
        return self._work.get(member), self._pace.get().get(member[0])

    def all_due(self, policy: Policy, day: float) -> "dict[tuple[str, Direction], Due]":
        """Due of every wrench and direction that has a stated tolerance and a reading."""
        from analysis.shop import due_of_shop

        key = policy.version, day
        with self._due_lock:
            if key not in self._due:
                shop = self.under(policy)
                members = [
                    member
                    for member in shop.fit.places
                    if member[1] in shop.ranges[member[0]].tolerances
                ]
                unknown = [each for each in members if self.known_due(policy, day, each) is None]
                found: dict[Member, Due] = {}
                for start in range(0, len(unknown), _DUE_AT_ONCE):
                    part = replace(shop, fit=shop.fit.only(unknown[start : start + _DUE_AT_ONCE]))
                    for member, due in due_of_shop(part, day).items():
                        self.by_member.put(member, *self._asked_due(policy, day, member), due)
                        found[member] = due
                self._due = {
                    key: {
                        member: found.get(member) or self.due(policy, day, *member)
                        for member in members
                    }
                }
            return self._due[key]

    def line_up(
        self,
        key: Hashable,
        whole: Callable[[], Made],
        moved_on: Callable[[Made, frozenset[str]], Made],
    ) -> Made:
        """What is kept of all wrenches on a day under a policy, whatever their recorded work.

        moved_on  makes it from what an earlier version kept, and the serials changed since
        """
        once = self._once
        with once.line_up_lock:
            made, since = once.line_ups.get(key, (None, frozenset()))
            if made is None:
                made = whole()
            elif since:
                made = moved_on(made, since)
            others = [each for each in once.line_ups if each != key][1 - MOST_DAYS :]
            once.line_ups = {each: once.line_ups[each] for each in others}
            once.line_ups[key] = made, frozenset()
        return made  # type: ignore[no-any-return]

    def shop_day(self, policy: Policy, today: float, day: float) -> "ShopDay":
        """Every wrench on a day foreseen today, under the policy's plan."""
        from analysis.shop_day import shop_day

        def made() -> "ShopDay":
            passing = None
            if day == today:
                # The due dates have found it on their way.
                due = self.all_due(policy, today)
                passing = {member: each.waits[0].pass_probability for member, each in due.items()}
            return shop_day(self._under(policy, {}), day, passing)

        return self._days.get((policy.version, day), made)

    def forecasts(self, policy: Policy, day: float) -> "pl.DataFrame":
        """Every wrench and direction at once, columns `analysis.fleet_forecast.FORECASTS`."""
        key = "forecasts", policy.version, day
        return self.by_work.get(key, lambda: self._forecasts(policy, day))

    def _forecasts(self, policy: Policy, day: float) -> "pl.DataFrame":
        from analysis.bands import Bands
        from analysis.fleet_forecast import FleetQuestion, forecast_part
        from analysis.fleet_laws import FleetLaws

        families = self._placing.fit().families
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

        shop, once = self._under(policy, {}), self._once
        with once.lock:
            if policy.version not in once.outcomes:
                once.outcomes = {policy.version: what_if_of_shop(shop).shop}
            return once.outcomes[policy.version]

    def under_laws(self, laws: "Laws") -> "ShopEvidence":
        """The same evidence under other laws in force; what does not rest on laws is kept."""
        anew = ShopEvidence(self.frames, self.proofs, self._placing.under(laws))
        for name in _NOT_BY_LAWS:
            setattr(anew, name, getattr(self, name))
        return anew
