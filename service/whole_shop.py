"""One pull against every wrench of the shop at once: verdicts from arrays, in order of choice.

The verdicts are those of `pull.judge_pull`, wrench by wrench; the words are made by it for the few
that are listed.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.pull import (
    ALIKE_BELOW,
    JudgedPull,
    PullDay,
    limits_of,
    verdict_on,
)
from service.records import ServiceStatus
from service.registry import Registry

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.arrays import Array, Flags
    from analysis.fitness import Fitness
    from analysis.shop_day import Pulls, ShopDay
    from analysis.vocabulary import Direction

    Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class MemberFacts:
    """What checks and records say of the N members of a shop's day, whatever the pull; each (N,).

    accepted  places in `Fitness` that acceptance alone leads to
    rank      the order of serials
    """

    in_service: "Flags"
    due_day: "Array"
    found_out: "Flags"
    card_only: "Flags"
    accepted: "Places"
    rank: "Places"


@dataclass(frozen=True, slots=True)
class JudgedPulls:
    """Pulls with the verdicts on them, n of them.

    fitness  (n,) places in `Fitness`
    """

    pulls: "Pulls"
    fitness: "Places"

    @property
    def size(self) -> int:
        return len(self.fitness)

    def only(self, where: "Flags | Places | slice") -> "JudgedPulls":
        """Those chosen, in the order given."""
        return JudgedPulls(self.pulls.only(where), self.fitness[where])

    def count(self, fitness: "Fitness") -> int:
        """How many have this verdict."""
        return int((self.fitness == list(type(fitness)).index(fitness)).sum())


class WholeShop:
    """Every wrench that a reading speaks for, on the day of `by`."""

    def __init__(self, by: PullDay, registry: Registry) -> None:
        self.by = by
        self.registry = registry
        self.day: ShopDay = by.shop_day
        self._facts: MemberFacts = by.kept(
            ("members", registry.version), lambda: _facts(by, self.day, registry)
        )

    def in_service(self, torque_nm: float, direction: "Direction") -> JudgedPulls:
        """The pull by every wrench in service whose marked range holds it."""
        pulls = self.day.pulls_at(torque_nm, direction)
        return self.judged(pulls.only(self._facts.in_service[pulls.member]))

    def riskiest(self) -> JudgedPulls:
        """Each wrench in service, in each direction, at the riskiest target of its plan."""
        pulls = self.by.kept("riskiest", self.day.riskiest)
        return self.judged(pulls.only(self._facts.in_service[pulls.member]))

    def judged(self, pulls: "Pulls") -> JudgedPulls:
        """The verdicts on pulls of wrenches in service."""
        import numpy as np

        from analysis.fitness import PullFacts, verdicts

        of, facts = pulls.member, self._facts
        found = verdicts(
            PullFacts(
                pull_risk=pulls.numbers.risk,
                pass_probability=pulls.passing,
                x=pulls.x,
                day=self.by.day,
                due_day=facts.due_day[of],
                found_out=facts.found_out[of],
                card_only=facts.card_only[of],
                spring=self.day.spring[of],
                defaults=self.day.defaults[of],
            ),
            limits_of(self.by.policy),
        )
        return JudgedPulls(pulls, np.maximum(found, facts.accepted[of]))

    def in_order(
        self, judged: JudgedPulls, off: "Array | None" = None, behind: "Flags | None" = None
    ) -> JudgedPulls:
        """In the order of `pull.choice_order`.

        off     (n,) chances of wholes that the pulls are part of
        behind  (n,) those that come after all others of the same verdict
        """
        import numpy as np

        numbers = judged.pulls.numbers
        keys = (
            self._facts.rank[judged.pulls.member],
            np.abs(numbers.deviation_pct) + 2.0 * numbers.deviation_sd_pct,
            np.maximum(numbers.risk if off is None else off, ALIKE_BELOW),
            np.zeros(judged.size) if behind is None else behind,
            judged.fitness,
        )
        return judged.only(np.lexsort(keys))

    def serial_ranks(self, judged: JudgedPulls) -> "Places":
        """(n,) the places of their serials among all of the shop's."""
        return self._facts.rank[judged.pulls.member]

    def by_score(self, judged: JudgedPulls) -> JudgedPulls:
        """The riskiest first."""
        import numpy as np

        member = judged.pulls.member
        scores = self.day.scores(judged.pulls, self.by.policy.tolerated_pull_risk)
        order = np.lexsort((~self.day.clockwise[member], self._facts.rank[member], -scores))
        return judged.only(order)

    def in_words(self, judged: JudgedPulls) -> list[JudgedPull]:
        """Each with every reason and what the risk comes from."""
        risks = self.day.risks(judged.pulls, self.by.policy.tolerated_pull_risk)
        found = []
        for place, risk in zip(judged.pulls.member, risks, strict=True):
            serial, direction = self.day.members[place]
            found.append(verdict_on(self.by, self.registry.by_serial[serial], direction, risk))
        return found


def _facts(by: PullDay, day: "ShopDay", registry: Registry) -> MemberFacts:
    import numpy as np

    from analysis.fitness import Fitness, verdict_of

    order, due = list(Fitness), by.due.all()
    count = len(day.members)
    facts = MemberFacts(
        in_service=np.zeros(count, dtype=np.bool_),
        due_day=np.full(count, np.inf),
        found_out=np.zeros(count, dtype=np.bool_),
        card_only=np.zeros(count, dtype=np.bool_),
        accepted=np.zeros(count, dtype=np.intp),
        rank=np.zeros(count, dtype=np.intp),
    )
    for place, (serial, direction) in enumerate(day.members):
        wrench = registry.by_serial[serial]
        found = by.standing(serial, direction)
        facts.in_service[place] = wrench.status is ServiceStatus.IN_SERVICE
        facts.due_day[place] = due[serial, direction].due_day
        facts.found_out[place], facts.card_only[place] = found.found_out, found.card_only
        against = by.acceptance(wrench, direction)
        facts.accepted[place] = order.index(verdict_of([against] if against else []))
        facts.rank[place] = registry.rank[serial]
    return facts
