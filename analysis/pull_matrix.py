"""One pull of one wrench among many: its odds, or why there are none."""

from dataclasses import dataclass
from enum import StrEnum

from analysis.shop_day import Pulls


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


def odds_of(pulls: Pulls, place: int) -> PullOdds:
    """The odds of the pull in that place."""
    low, high = float(pulls.numbers.low[place]), float(pulls.numbers.high[place])
    return PullOdds(
        pull_risk=low + high,
        low_risk=low,
        high_risk=high,
        pass_probability=float(pulls.passing[place]),
        mpd_pct=float(pulls.mpd_pct[place]),
        x=float(pulls.x[place]),
    )
