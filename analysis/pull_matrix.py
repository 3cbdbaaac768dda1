"""Many pulls against many wrenches at once: the risk of every pair, or why there is none.

The same numbers as `analysis.shop.risk_of_pull` gives one by one, without what a pull risk comes
from. Each family is carried forward once for all pairs that fall to its wrenches.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.family import FamilyFit
from analysis.outlook import outlook
from analysis.pass_probability import pass_probability
from analysis.risk import pull_risk_tails
from analysis.shop import Shop, planned_groups
from analysis.vocabulary import Direction


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull: `day` in UTC days since 1970-01-01."""

    torque_nm: float
    direction: Direction
    day: float


class NoRisk(StrEnum):
    """Why a wrench has no risk for a pull; what comes first is told."""

    OUT_OF_RANGE = "out_of_range"
    NO_TOLERANCE = "no_stated_tolerance_that_way"
    NO_EVIDENCE = "no_reading_that_way"


@dataclass(frozen=True, slots=True)
class PullOdds:
    """The numbers of `analysis.risk.Risk` that a verdict needs."""

    pull_risk: float
    low_risk: float
    high_risk: float
    pass_probability: float
    mpd_pct: float
    x: float


@dataclass(frozen=True, slots=True)
class _Pair:
    pull: int
    wrench: str
    row: int
    x: float
    mpd_pct: float


def odds_of_pulls(
    shop: Shop, pulls: Sequence[Pull], wrenches: Sequence[str]
) -> dict[tuple[int, str], PullOdds | NoRisk]:
    """For every place in `pulls` and every wrench of the shop named, its odds or why none."""
    answer: dict[tuple[int, str], PullOdds | NoRisk] = {}
    pairs: dict[int, list[_Pair]] = {}
    for place, pull in enumerate(pulls):
        for wrench in wrenches:
            found = _pair(shop, place, pull, wrench)
            if isinstance(found, NoRisk):
                answer[place, wrench] = found
            else:
                family = shop.fit.places[wrench, pull.direction][0]
                pairs.setdefault(family, []).append(found)
    for number, of_family in pairs.items():
        answer.update(_odds(shop, shop.fit.families[number], of_family, pulls))
    return answer


def _pair(shop: Shop, place: int, pull: Pull, wrench: str) -> _Pair | NoRisk:
    marked = shop.ranges[wrench]
    try:
        x = marked.share(pull.torque_nm)
    except OutsideRange:
        return NoRisk.OUT_OF_RANGE
    if pull.direction not in marked.tolerances:
        return NoRisk.NO_TOLERANCE
    try:
        _, row = shop.fit.place(wrench, pull.direction)
    except NotEnoughEvidence:
        return NoRisk.NO_EVIDENCE
    return _Pair(place, wrench, row, x, float(marked.mpd_pct(pull.direction, x)))


def _odds(
    shop: Shop, family: FamilyFit, pairs: Sequence[_Pair], pulls: Sequence[Pull]
) -> Mapping[tuple[int, str], PullOdds]:
    days = np.array([pulls[pair.pull].day for pair in pairs])
    view = outlook(family.of_rows([pair.row for pair in pairs]), days)
    low, high = pull_risk_tails(
        view, np.array([pair.x for pair in pairs]), np.array([pair.mpd_pct for pair in pairs])
    )
    passing = {
        day: _passing(
            shop, family, {p.row for p, d in zip(pairs, days, strict=True) if d == day}, day
        )
        for day in map(float, np.unique(days))
    }
    return {
        (pair.pull, pair.wrench): PullOdds(
            pull_risk=float(low[i] + high[i]),
            low_risk=float(low[i]),
            high_risk=float(high[i]),
            pass_probability=passing[float(days[i])][pair.wrench],
            mpd_pct=pair.mpd_pct,
            x=pair.x,
        )
        for i, pair in enumerate(pairs)
    }


def _passing(shop: Shop, family: FamilyFit, rows: Iterable[int], day: float) -> dict[str, float]:
    """Pass probability of a whole check of each member in `rows` on a day."""
    found: dict[str, float] = {}
    for group in planned_groups(shop, family.of_rows(sorted(rows))):
        chances = pass_probability(outlook(group.family, day), group.plan, group.mpd_pct)
        found.update(zip(group.family.histories.wrenches, map(float, chances), strict=True))
    return found
