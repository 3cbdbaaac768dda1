"""Every wrench of a shop on one day, in arrays: one pull against all of them at once.

A question about a pull differs from the next only in its torque, direction and limits. Where each
wrench will stand that day does not, so that is worked out once; what is left for a pull is a few
passes over arrays of laws by wrenches. The numbers are those of `analysis.risk`, one by one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.deviation import permissible_pct
from analysis.family import FamilyFit
from analysis.outlook import Outlook, outlook
from analysis.pass_probability import pass_probability
from analysis.risk import PullNumbers, Risk, pull_numbers, risks, score
from analysis.shop import Shop, planned_groups
from analysis.vocabulary import Direction, Mechanism

Member = tuple[str, Direction]
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
        n = self.numbers
        return Pulls(
            self.member[where],
            self.x[where],
            self.mpd_pct[where],
            self.passing[where],
            PullNumbers(
                n.low[where], n.high[where], n.deviation_pct[where], n.deviation_sd_pct[where]
            ),
        )


@dataclass(frozen=True, slots=True)
class ShopDay:
    """The members of a shop's families that have a stated tolerance, N of them; by `shop_day`.

    members      N wrenches with a direction, family by family
    place        where each stands among them
    slices       of each family that has a member: its number, its members, and their outlook
    rows         (N,) in the family
    clockwise, spring, defaults  (N,) flags; defaults: assumed values stand in for the family's law
    lowest_nm, full_scale_nm     (N,) the marked range
    tolerance_pct, of_full_scale (N,) the stated tolerance
    passing      (N,) pass probability of a whole check on that day
    """

    shop: Shop
    day: float
    members: tuple[Member, ...]
    place: Mapping[Member, int]
    slices: tuple[tuple[int, slice, Outlook], ...]
    rows: Places
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
        for number, part, _ in self.slices:
            mine = np.flatnonzero((pulls.member >= part.start) & (pulls.member < part.stop))
            if not len(mine):
                continue
            own = pulls.only(mine)
            answers = risks(
                self.shop.fit.families[number],
                self.rows[own.member].tolist(),
                x=own.x,
                day=self.day,
                mpd_pct=own.mpd_pct,
                full_scale_mpd_pct=self.tolerance_pct[own.member],
                passing=own.passing,
                tolerated_pull_risk=tolerated_pull_risk,
                reliability_target=self.shop.rules.due.reliability_target,
            )
            found.update(zip(mine.tolist(), answers, strict=True))
        return tuple(found[i] for i in range(len(pulls.member)))

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
        for _, part, view in self.slices:
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
    rows: list[int] = []
    slices = []
    for number, family in enumerate(shop.fit.families):
        way = family.direction
        own = [
            row
            for row, wrench in enumerate(family.histories.wrenches)
            if way in shop.ranges[wrench].tolerances
        ]
        if own:
            part = slice(len(members), len(members) + len(own))
            members += ((family.histories.wrenches[row], way) for row in own)
            rows += own
            slices.append((number, part, outlook(family.of_rows(own), day)))
    marked = [shop.ranges[wrench] for wrench, _ in members]
    tolerances = [each.tolerances[way] for each, (_, way) in zip(marked, members, strict=True)]
    defaults = np.zeros(len(members), dtype=np.bool_)
    for number, part, _ in slices:
        defaults[part] = shop.fit.families[number].source == "defaults"
    if passing is None:
        passing = _passing(shop, [shop.fit.families[number] for number, _, _ in slices], day)
    return ShopDay(
        shop=shop,
        day=day,
        members=tuple(members),
        place={member: place for place, member in enumerate(members)},
        slices=tuple(slices),
        rows=np.array(rows, dtype=np.intp),
        clockwise=np.array([way is Direction.CLOCKWISE for _, way in members], dtype=np.bool_),
        spring=np.array([each.mechanism is Mechanism.SPRING for each in marked], dtype=np.bool_),
        defaults=defaults,
        lowest_nm=np.array([each.lowest_nm for each in marked]),
        full_scale_nm=np.array([each.full_scale_nm for each in marked]),
        tolerance_pct=np.array([each.percent for each in tolerances]),
        of_full_scale=np.array([each.of_full_scale for each in tolerances], dtype=np.bool_),
        passing=np.array([passing[member] for member in members]),
    )


def _passing(shop: Shop, families: Sequence[FamilyFit], day: float) -> dict[Member, float]:
    """Pass probability of a whole check of every member on a day."""
    found: dict[Member, float] = {}
    for family in families:
        for group in planned_groups(shop, family):
            chances = pass_probability(outlook(group.family, day), group.plan, group.mpd_pct)
            for wrench, chance in zip(group.family.histories.wrenches, chances, strict=True):
                found[wrench, family.direction] = float(chance)
    return found
