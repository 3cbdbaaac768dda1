"""The chance that a pull goes wrong, a score from 0 to 100, what drives it, and a verdict.

Pull risk: the probability that the next single pull at a torque, in a direction, on a day deviates
by more than the maximum permissible deviation there. The pull's total deviation is normal given
the family's law: level at that day, effect of hand and fixture, scatter.

Score: with odds(p) = p / (1 - p),

    r = max( odds(pull risk) / odds(tolerated pull risk),
             odds(1 - pass probability) / odds(1 - reliability target) )
    score = 100 r / (1 + r)

so 50 is exactly what the shop tolerates, 91 ten times those odds, 9 a tenth of them.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from analysis.arrays import Array
from analysis.family import FamilyFit
from analysis.mixture import summarise
from analysis.outlook import Outlook, outlook
from analysis.pass_probability import CheckPlan, pass_probability


class Driver(StrEnum):
    """What a pull risk can come from."""

    BIAS = "bias"
    SCATTER = "scatter"
    AGE_OF_EVIDENCE = "age_of_evidence"
    THIN_EVIDENCE = "thin_evidence"
    POSITION_IN_RANGE = "position_in_range"


@dataclass(frozen=True, slots=True)
class DriverShare:
    """How much lower the pull risk would be with one of its causes taken away.

    without  the pull risk then. Taken away means: bias, no expected deviation; scatter, half of it
             (of readings and of hand and fixture: no wrench has none); age of evidence, the day
             of the last check; thin evidence, level and rate known exactly; position in range,
             the same pull at full scale
    """

    driver: Driver
    without: float


@dataclass(frozen=True, slots=True)
class Risk:
    """Pull risk and score of one wrench for one torque and direction on one day.

    pull_risk          chance that the next pull is outside the MPD
    low_risk, high_risk  its two parts: delivers less than it says by more than the MPD; more
    pass_probability   of a whole check on that day
    score              0 to 100; 50 is what the shop tolerates
    deviation_pct      expected deviation of that pull, % of reading
    deviation_sd_pct   its standard deviation, everything included
    mpd_pct            the limit there, % of reading
    x                  torque / full scale
    drivers            strongest first
    """

    pull_risk: float
    low_risk: float
    high_risk: float
    pass_probability: float
    score: float
    deviation_pct: float
    deviation_sd_pct: float
    mpd_pct: float
    x: float
    drivers: tuple[DriverShare, ...]


def pull_risk_tails(view: Outlook, x: Array | float, mpd_pct: Array | float) -> tuple[Array, Array]:
    """(N,) chances that a pull at x delivers too little, and too much.

    x, mpd_pct  scalar or (N,); the limit in % of reading
    """
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    pull = view.reading_at(x)
    sd = np.sqrt(pull.variance)
    too_little = (pull.weight * ndtr((pull.mean - mpd_pct) / sd)).sum(axis=0)
    too_much = (pull.weight * ndtr((-mpd_pct - pull.mean) / sd)).sum(axis=0)
    return np.asarray(too_little), np.asarray(too_much)


def pull_risk(view: Outlook, x: float, mpd_pct: Array | float) -> Array:
    """(N,) chances that a pull at x is outside the MPD either way."""
    too_little, too_much = pull_risk_tails(view, x, mpd_pct)
    return np.asarray(too_little + too_much)


def score(
    pull: Array | float, passing: Array | float, tolerated_pull_risk: float, reliability: float
) -> Array:
    """Scores from pull risks and pass probabilities, as the module says."""

    def odds(p: Array | float) -> Array:
        clipped = np.clip(p, 1e-12, 1 - 1e-12)
        return np.asarray(clipped / (1 - clipped))

    ratio = np.maximum(
        odds(pull) / odds(tolerated_pull_risk),
        odds(1 - np.asarray(passing)) / odds(1 - reliability),
    )
    return np.asarray(100 * ratio / (1 + ratio))


def risk(
    family: FamilyFit,
    row: int,
    *,
    x: float,
    day: float,
    mpd_pct: float,
    full_scale_mpd_pct: float,
    plan: CheckPlan,
    plan_mpd_pct: Array,
    tolerated_pull_risk: float,
    reliability_target: float,
) -> Risk:
    """Risk of one member of a family.

    x             torque / full scale of the pull, within the marked range
    day           UTC day of the pull
    mpd_pct       limit at x, % of reading
    full_scale_mpd_pct  limit at full scale, another one where the tolerance is in % of full scale
    plan_mpd_pct  (J,) limits at the plan's targets
    """
    member = family.of_rows([row])
    view = outlook(member, day)
    too_little, too_much = pull_risk_tails(view, x, mpd_pct)
    pull = float(too_little[0] + too_much[0])
    passing = float(pass_probability(view, plan, plan_mpd_pct[None])[0])
    expected = summarise(view.reading_at(x))
    return Risk(
        pull_risk=pull,
        low_risk=float(too_little[0]),
        high_risk=float(too_much[0]),
        pass_probability=passing,
        score=float(score(pull, passing, tolerated_pull_risk, reliability_target)),
        deviation_pct=float(expected.mean[0]),
        deviation_sd_pct=float(expected.sd[0]),
        mpd_pct=mpd_pct,
        x=x,
        drivers=_drivers(member, view, x, mpd_pct, full_scale_mpd_pct),
    )


def _drivers(
    member: FamilyFit, view: Outlook, x: float, mpd_pct: float, full_scale_mpd_pct: float
) -> tuple[DriverShare, ...]:
    """Each cause taken away alone, and the risk that is left, smallest first."""
    law = view.law
    check_only = np.broadcast_to((law.check_sd**2)[:, None, :, None] * np.eye(2), view.cov.shape)
    at_last_check = outlook(member, -np.inf)
    without = {
        Driver.BIAS: pull_risk(replace(view, mean=np.zeros_like(view.mean)), x, mpd_pct),
        Driver.SCATTER: pull_risk(
            replace(
                view,
                law=replace(law, rho_pct=law.rho_pct / 2, alpha_pct=law.alpha_pct / 2),
                cov=view.cov - check_only * 0.75,
            ),
            x,
            mpd_pct,
        ),
        Driver.AGE_OF_EVIDENCE: pull_risk(at_last_check, x, mpd_pct),
        Driver.THIN_EVIDENCE: pull_risk(replace(view, cov=check_only), x, mpd_pct),
        Driver.POSITION_IN_RANGE: pull_risk(view, 1.0, full_scale_mpd_pct),
    }
    shares = [DriverShare(driver=name, without=float(value[0])) for name, value in without.items()]
    return tuple(sorted(shares, key=lambda share: share.without))
