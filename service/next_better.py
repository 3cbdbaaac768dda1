"""The best of the others for one pull, found without the due dates of all.

A due date that has passed and a check that is likely to fail can only turn fit into fit with
caution. So the others are put in order without the two, and these are worked out from the first on,
until one of them is what it seemed: the same choice, whatever the shop's size.
"""

import heapq
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.fitness import Fitness, PullFacts, verdict_of, verdicts
from analysis.shop_day import Pulls, ShopDay, shop_day
from analysis.vocabulary import Direction, Member
from service.pull import (
    ALIKE_BELOW,
    JudgedPull,
    PullDay,
    choice_order,
    judge_pull,
    limits_of,
)
from service.records import ServiceStatus, Wrench
from service.registry import Registry

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.arrays import Flags

MOST_PULLS: Final = 64  # torques asked about on a day: some 40 kB a thousand wrenches each
_ORDER: Final = list(Fitness)
_FIT, _CAUTION, _NOT_FIT = (
    _ORDER.index(each) for each in (Fitness.FIT, Fitness.CAUTION, Fitness.NOT_FIT)
)

Asked = tuple[float, Direction]


@dataclass(frozen=True)
class LineUp:
    """The wrenches that a reading speaks for on a day, whatever their due dates; N of them.

    day       with a pass probability of 1 for every member: it is asked for one by one
    accepted  (N,) places in `Fitness` that acceptance alone leads to
    pulls     made lately, and the members that have changed since
    """

    day: ShopDay
    in_service: "Flags"
    found_out: "Flags"
    card_only: "Flags"
    accepted: "NDArray[np.intp]"
    pulls: "dict[Asked, tuple[Pulls, frozenset[int]]]" = field(default_factory=dict)

    @classmethod
    def of(cls, by: PullDay, registry: Registry) -> "LineUp":
        """On the day of `by`."""
        day = shop_day(by.shop, by.day, dict.fromkeys(by.shop.fit.places, 1.0))
        return cls(day, *_facts(by, registry, day.members))

    def moved_on(self, by: PullDay, registry: Registry, changed: Collection[str]) -> "LineUp":
        """After these wrenches changed."""
        day = self.day.moved_on(by.shop, changed)
        if day is None:
            return LineUp.of(by, registry)
        own = [(serial, way) for serial in changed for way in Direction]
        members = [member for member in own if member in day.place]
        at = np.array([day.place[member] for member in members], dtype=np.intp)
        columns: dict[str, Any] = {}
        names = ("in_service", "found_out", "card_only", "accepted")
        for name, values in zip(names, _facts(by, registry, members), strict=True):
            columns[name] = getattr(self, name).copy()
            columns[name][at] = values
        pulls = {}
        if day.marked_as(self.day):
            stale = frozenset(at.tolist())
            pulls = {asked: (made, old | stale) for asked, (made, old) in self.pulls.items()}
        return LineUp(day, **columns, pulls=pulls)

    def pulls_at(self, torque_nm: float, direction: Direction) -> Pulls:
        """The pull by every wrench whose marked range holds it."""
        asked = torque_nm, direction
        made, stale = self.pulls.get(asked, (None, frozenset[int]()))
        if made is None:
            made = self.day.pulls_at(torque_nm, direction)
        elif stale:
            made = self.day.again(made, torque_nm, np.array(sorted(stale), dtype=np.intp))
        if len(self.pulls) >= MOST_PULLS:
            self.pulls.clear()
        self.pulls[asked] = made, frozenset()
        return made

    def best(
        self, by: PullDay, torque_nm: float, but: Member, better_than: JudgedPull | None
    ) -> Member | None:
        """The first in the order of `choice_order`; None: none is better."""
        pulls = self.pulls_at(torque_nm, but[1])
        pulls = pulls.only(self.in_service[pulls.member])
        of, numbers = pulls.member, pulls.numbers
        seems = verdicts(
            PullFacts(
                pull_risk=numbers.risk,
                pass_probability=pulls.passing,
                x=pulls.x,
                day=by.day,
                due_day=np.full(len(of), np.inf),
                found_out=self.found_out[of],
                card_only=self.card_only[of],
                spring=self.day.spring[of],
                defaults=self.day.defaults[of],
            ),
            limits_of(by.policy),
        )
        seems = np.maximum(seems, self.accepted[of])
        waiting = [
            (fitness, risk, away, *self.day.members[member])
            for member, fitness, risk, away in zip(
                of.tolist(),
                seems.tolist(),
                np.maximum(numbers.risk, ALIKE_BELOW).tolist(),
                (np.abs(numbers.deviation_pct) + 2.0 * numbers.deviation_sd_pct).tolist(),
                strict=True,
            )
            if fitness != _NOT_FIT and self.day.members[member] != but
        ]
        heapq.heapify(waiting)
        bound = None if better_than is None else choice_order(better_than)
        while waiting:
            fitness, risk, away, serial, way = waiting[0]
            if bound is not None and (fitness, risk, away, serial) >= bound:
                return None
            (passing,) = by.foreseen((serial, way)).passing
            if fitness == _FIT and (
                by.day > by.due[serial, way].due_day or passing < by.policy.reliability_target
            ):
                heapq.heapreplace(waiting, (_CAUTION, risk, away, serial, way))
                continue
            return serial, way
        return None


def _facts(
    by: PullDay, registry: Registry, members: Sequence[Member]
) -> "tuple[Flags, Flags, Flags, NDArray[np.intp]]":
    """(N,) in service, found out, card only, and what acceptance leads to."""
    in_service, found_out, card_only, accepted = [], [], [], []
    for serial, way in members:
        wrench, found = registry.by_serial[serial], by.standing(serial, way)
        in_service.append(wrench.status is ServiceStatus.IN_SERVICE)
        found_out.append(found.found_out)
        card_only.append(found.card_only)
        against = by.acceptance(wrench, way)
        accepted.append(_ORDER.index(verdict_of([against] if against else [])))
    return (
        np.array(in_service, dtype=np.bool_),
        np.array(found_out, dtype=np.bool_),
        np.array(card_only, dtype=np.bool_),
        np.array(accepted, dtype=np.intp),
    )


def judged_once(
    by: PullDay, wrench: Wrench, direction: Direction, torque_nm: float | None
) -> JudgedPull:
    """`judge_pull`, worked out once while what it rests on stands."""
    return by.kept_of(
        wrench, direction, torque_nm, lambda: judge_pull(by, wrench, direction, torque_nm)
    )


def next_better(
    by: PullDay,
    registry: Registry,
    judged: JudgedPull | None,
    serial: str,
    direction: Direction,
    torque_nm: float,
) -> JudgedPull | None:
    """The best of the others in service for the same pull, if it is better than the one judged.

    In the order of `choice_order`; one that is not fit is no choice.

    judged   None: nothing speaks for the wrench asked about, so any choice is better
    """
    line_up: LineUp = by.evidence.line_up(
        (by.policy.version, by.day),
        lambda: LineUp.of(by, registry),
        lambda before, changed: before.moved_on(by, registry, changed),
    )
    best = line_up.best(by, torque_nm, (serial, direction), judged)
    if best is None:
        return None
    other, way = best
    found = judged_once(by, registry.by_serial[other], way, torque_nm)
    better = judged is None or choice_order(found) < choice_order(judged)
    return found if better and found.fitness is not Fitness.NOT_FIT else None
