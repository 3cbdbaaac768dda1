"""Every wrench of a shop on one day, in arrays: one pull against all of them at once.

A question about a pull differs from the next only in its torque, direction and limits. Where each
wrench will stand that day does not, so that is worked out once; what is left for a pull is a few
passes over arrays of laws by wrenches. The numbers are those of `analysis.risk`, one by one.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.deviation import permissible_pct
from analysis.outlook import Outlook, outlook
from analysis.pass_probability import pass_probability
from analysis.risk import PullNumbers, Risk, foreseen, pull_numbers, risks, score
from analysis.shop import Shop, planned_groups
from analysis.vocabulary import Direction, Mechanism, Member

_MARKED: Final = ("lowest_nm", "full_scale_nm", "tolerance_pct", "of_full_scale")
_OF_A_SLICE: Final = 1024  # members, whose outlook is copied where one of them has changed
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Pulls:
    """One pull of each of some members, n of them.

    member    (n,) their places among the members of the day
    x         (n,) torque / full scale
    mpd_pct   (n,) limit there, % of reading
    passing   (n,) pass probability of a whole check on that day
    """

    member: Places
    x: Array
    mpd_pct: Array
    passing: Array
    numbers: PullNumbers

    def only(self, where: Flags | Places | slice) -> "Pulls":
        """Those chosen, in the order given."""
        return Pulls(
            self.member[where],
            self.x[where],
            self.mpd_pct[where],
            self.passing[where],
            self.numbers.only(where),
        )


@dataclass(frozen=True, slots=True)
class ShopDay:
    """The members of a shop's families that have a stated tolerance, N of them; by `shop_day`.

    members      N wrenches with a direction, family by family
    place        where each stands among them
    slices       members that follow one another in a family, and their outlook
    clockwise, spring, defaults  (N,) flags; defaults: assumed values stand in for the family's law
    lowest_nm, full_scale_nm     (N,) the marked range
    tolerance_pct, of_full_scale (N,) the stated tolerance
    passing      (N,) pass probability of a whole check on that day
    """

    shop: Shop
    day: float
    members: tuple[Member, ...]
    place: Mapping[Member, int]
    slices: tuple[tuple[slice, Outlook], ...]
    clockwise: Flags
    spring: Flags
    defaults: Flags
    lowest_nm: Array
    full_scale_nm: Array
    tolerance_pct: Array
    of_full_scale: Flags
    passing: Array

    def pulls_at(self, torque_nm: float, direction: Direction) -> Pulls:
        """The pull by every member whose marked range holds it, as `WrenchRange.share` has it."""
        slack = 1e-9 * self.full_scale_nm
        held = (
            (self.clockwise == (direction is Direction.CLOCKWISE))
            & (self.lowest_nm - slack <= torque_nm)
            & (torque_nm <= self.full_scale_nm + slack)
        )
        member = np.flatnonzero(held)
        return self._pulls(member, torque_nm / self.full_scale_nm[member])

    def riskiest(self) -> Pulls:
        """Each member's pull at the target of its plan where a pull is riskiest."""
        everyone = np.arange(len(self.members))
        lowest = self.lowest_nm / self.full_scale_nm
        shares = sorted(self.shop.rules.plan_shares)
        tried = [self._pulls(everyone, np.maximum(share, lowest)) for share in shares]
        worst = np.argmax([each.numbers.risk for each in tried], axis=0)
        return self._pulls(everyone, np.maximum(np.asarray(shares)[worst], lowest))

    def risks(self, pulls: Pulls, tolerated_pull_risk: float) -> tuple[Risk, ...]:
        """Each pull's risk with what it comes from, in the order given."""
        found: dict[int, Risk] = {}
        of_family: dict[int, list[tuple[int, int]]] = {}
        for place, member in enumerate(pulls.member.tolist()):
            number, row = self.shop.fit.places[self.members[member]]
            of_family.setdefault(number, []).append((place, row))
        for number, members in of_family.items():
            mine = np.array([place for place, _ in members], dtype=np.intp)
            own = pulls.only(mine)
            family = self.shop.fit.families[number].of_rows([row for _, row in members])
            answers = risks(
                foreseen(family, self.day, own.passing),
                x=own.x,
                mpd_pct=own.mpd_pct,
                full_scale_mpd_pct=self.tolerance_pct[own.member],
                tolerated_pull_risk=tolerated_pull_risk,
                reliability_target=self.shop.rules.due.reliability_target,
            )
            found.update(zip(mine.tolist(), answers, strict=True))
        return tuple(found[i] for i in range(len(pulls.member)))

    def again(self, pulls: Pulls, torque_nm: float, changed: Places) -> Pulls:
        """Pulls made before some members changed, with theirs made anew; `marked_as` holds."""
        at = np.flatnonzero(np.isin(pulls.member, changed))
        member = pulls.member[at]
        anew = self._pulls(member, torque_nm / self.full_scale_nm[member])
        n, own = pulls.numbers, anew.numbers
        return replace(
            pulls,
            numbers=PullNumbers(
                _with_values(n.low, at, own.low),
                _with_values(n.high, at, own.high),
                _with_values(n.deviation_pct, at, own.deviation_pct),
                _with_values(n.deviation_sd_pct, at, own.deviation_sd_pct),
            ),
        )

    def marked_as(self, other: "ShopDay") -> bool:
        """Whether every member's range and tolerance are those of the other day."""
        return all(np.array_equal(getattr(self, name), getattr(other, name)) for name in _MARKED)

    def moved_on(self, shop: Shop, changed: Collection[str]) -> "ShopDay | None":
        """The same day of the shop after these wrenches changed, but for `passing`, which stays.

        None: they are not the same members any more, or not under the same laws.
        """
        own = [(wrench, way) for wrench in changed for way in Direction]
        there = [
            member
            for member in own
            if member in shop.fit.places and member[1] in shop.ranges[member[0]].tolerances
        ]
        if there != [member for member in own if member in self.place]:
            return None
        part = shop_day(
            replace(shop, fit=shop.fit.only(there)), self.day, dict.fromkeys(there, 1.0)
        )
        to = np.array([self.place[member] for member in part.members], dtype=np.intp)
        slices = list(self.slices)
        for mine, view in part.slices:
            for number, (held, whole) in enumerate(slices):
                inside = (to[mine] >= held.start) & (to[mine] < held.stop)
                if inside.any():
                    if whole.law is not view.law:
                        return None
                    at = to[mine][inside] - held.start
                    slices[number] = held, whole.with_rows(at, view.of_rows(np.flatnonzero(inside)))
        columns: dict[str, Any] = {
            name: _with_values(getattr(self, name), to, getattr(part, name))
            for name in ("spring", *_MARKED)
        }
        return replace(self, shop=shop, slices=tuple(slices), **columns)

    def scores(self, pulls: Pulls, tolerated_pull_risk: float) -> Array:
        """(n,) as in `analysis.risk.score`."""
        target = self.shop.rules.due.reliability_target
        return score(pulls.numbers.risk, pulls.passing, tolerated_pull_risk, target)

    def _pulls(self, member: Places, x: Array) -> Pulls:
        """The pulls of members in ascending order."""
        percent = self.tolerance_pct[member]
        mpd_pct = np.where(
            self.of_full_scale[member],
            permissible_pct(percent, True, x),
            permissible_pct(percent, False, x),
        )
        found = np.empty((4, len(member)))
        for part, view in self.slices:
            begin, end = np.searchsorted(member, [part.start, part.stop])
            if begin < end:
                own = slice(begin, end)
                numbers = pull_numbers(view.of_rows(member[own] - part.start), x[own], mpd_pct[own])
                found[:, own] = (
                    numbers.low, numbers.high, numbers.deviation_pct, numbers.deviation_sd_pct
                )  # fmt: skip
        return Pulls(member, x, mpd_pct, self.passing[member], PullNumbers(*found))


def shop_day(shop: Shop, day: float, passing: Mapping[Member, float] | None = None) -> ShopDay:
    """The shop on a day.

    day      UTC day; one before a wrench's last check counts as that day
    passing  pass probability on that day of every member; None: worked out here, which takes most
             of the time
    """
    members: list[Member] = []
    defaults: list[bool] = []
    slices: list[tuple[slice, Outlook]] = []
    for family in shop.fit.families:
        way = family.direction
        own = [
            row
            for row, wrench in enumerate(family.histories.wrenches)
            if way in shop.ranges[wrench].tolerances
        ]
        for start in range(0, len(own), _OF_A_SLICE):
            rows = own[start : start + _OF_A_SLICE]
            part = slice(len(members), len(members) + len(rows))
            members += ((family.histories.wrenches[row], way) for row in rows)
            defaults += [family.source == "defaults"] * len(rows)
            slices.append((part, outlook(family.of_rows(rows), day)))
    marked = [shop.ranges[wrench] for wrench, _ in members]
    tolerances = [each.tolerances[way] for each, (_, way) in zip(marked, members, strict=True)]
    if passing is None:
        passing = _passing_on(shop, day)
    return ShopDay(
        shop=shop,
        day=day,
        members=tuple(members),
        place={member: place for place, member in enumerate(members)},
        slices=tuple(slices),
        clockwise=np.array([way is Direction.CLOCKWISE for _, way in members], dtype=np.bool_),
        spring=np.array([each.mechanism is Mechanism.SPRING for each in marked], dtype=np.bool_),
        defaults=np.array(defaults, dtype=np.bool_),
        lowest_nm=np.array([each.lowest_nm for each in marked]),
        full_scale_nm=np.array([each.full_scale_nm for each in marked]),
        tolerance_pct=np.array([each.percent for each in tolerances]),
        of_full_scale=np.array([each.of_full_scale for each in tolerances], dtype=np.bool_),
        passing=np.array([passing[member] for member in members]),
    )


def _with_values(column: NDArray[Any], at: Places, values: NDArray[Any]) -> NDArray[Any]:
    changed = column.copy()
    changed[at] = values
    return changed


def _passing_on(shop: Shop, day: float) -> dict[Member, float]:
    """Pass probability of a whole check of every member on a day."""
    found: dict[Member, float] = {}
    for family in shop.fit.families:
        for group in planned_groups(shop, family):
            chances = pass_probability(outlook(group.family, day), group.plan, group.mpd_pct)
            for wrench, chance in zip(group.family.histories.wrenches, chances, strict=True):
                found[wrench, family.direction] = float(chance)
    return found
