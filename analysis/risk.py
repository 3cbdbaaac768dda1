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
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.family import FamilyFit
from analysis.outlook import Outlook, outlook


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


@dataclass(frozen=True, slots=True)
class PullNumbers:
    """What is foreseen of N pulls, each (N,).

    low, high         chances that one delivers too little, and too much
    deviation_pct     expected deviation, % of reading
    deviation_sd_pct  its standard deviation, everything included
    """

    low: Array
    high: Array
    deviation_pct: Array
    deviation_sd_pct: Array

    @property
    def risk(self) -> Array:
        """Chance of a pull outside the limit either way."""
        return np.asarray(self.low + self.high)

    def only(self, where: "Flags | NDArray[np.intp] | slice") -> "PullNumbers":
        """Those chosen, in the order given."""
        return PullNumbers(
            self.low[where],
            self.high[where],
            self.deviation_pct[where],
            self.deviation_sd_pct[where],
        )


_AT_ONCE: Final = 1024  # wrenches: what one step needs stays in the processor's cache


def pull_numbers(view: Outlook, x: Array | float, mpd_pct: Array | float) -> PullNumbers:
    """What is foreseen of one pull of each wrench.

    x, mpd_pct  scalar or (N,); the limit in % of reading
    """
    wrenches = view.mean.shape[1]
    places = np.broadcast_to(np.asarray(x, dtype=np.float64), wrenches)
    limits = np.broadcast_to(np.asarray(mpd_pct, dtype=np.float64), wrenches)
    found = np.empty((4, wrenches))
    for start in range(0, wrenches, _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        found[:, part] = _numbers(view.of_rows(part), places[part], limits[part])
    return PullNumbers(*found)


def _numbers(view: Outlook, x: Array, mpd_pct: Array) -> tuple[Array, Array, Array, Array]:
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    low, high, centre, square = (np.zeros(len(x)) for _ in range(4))
    for weight, mean, variance in view.readings_at(x):
        sd = np.sqrt(variance)
        low += (weight * ndtr((mean - mpd_pct) / sd)).sum(axis=0)
        high += (weight * ndtr((-mpd_pct - mean) / sd)).sum(axis=0)
        centre += (weight * mean).sum(axis=0)
        square += (weight * (variance + mean**2)).sum(axis=0)
    return low, high, centre, np.sqrt(square - centre**2)


def outside_by_law(view: Outlook, x: Array, mpd_pct: Array) -> Array:
    """(K, N) chances of a pull outside the limit under each law alone; x and mpd_pct (N,)."""
    from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

    outside = np.empty((view.law.size, len(x)))
    for start in range(0, len(x), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        limit = mpd_pct[part]
        found = 0.0
        for weight, mean, variance in view.of_rows(part).readings_at(x[part]):
            sd = np.sqrt(variance)
            found += weight * (ndtr((mean - limit) / sd) + ndtr((-limit - mean) / sd))
        outside[:, part] = found * view.law.size
    return outside


def pull_risk_tails(view: Outlook, x: Array | float, mpd_pct: Array | float) -> tuple[Array, Array]:
    """(N,) chances that a pull at x delivers too little, and too much; arguments as above."""
    found = pull_numbers(view, x, mpd_pct)
    return found.low, found.high


def pull_risk(view: Outlook, x: Array | float, mpd_pct: Array | float) -> Array:
    """(N,) chances that a pull at x is outside the MPD either way."""
    return pull_numbers(view, x, mpd_pct).risk


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


@dataclass(frozen=True, slots=True)
class Foreseen:
    """N members of a family on one day, whatever the pull.

    now            where they will stand on that day
    at_last_check  where they stood then
    passing        (N,) pass probability of a whole check on that day
    """

    now: Outlook
    at_last_check: Outlook
    passing: Array


def foreseen(members: FamilyFit, day: float, passing: Array) -> Foreseen:
    """The members on a UTC day; `passing` as in `Foreseen`."""
    return Foreseen(outlook(members, day), outlook(members, -np.inf), passing)


def risks(
    seen: Foreseen,
    *,
    x: Array,
    mpd_pct: Array,
    full_scale_mpd_pct: Array,
    tolerated_pull_risk: float,
    reliability_target: float,
) -> tuple[Risk, ...]:
    """Risks of one pull of each of N members, on their day.

    x                   (N,) torque / full scale of the pull, within the marked range
    mpd_pct             (N,) limit at x, % of reading
    full_scale_mpd_pct  (N,) at full scale, another one where the tolerance is in % of full scale
    """
    view, law = seen.now, seen.now.law
    check_only = np.broadcast_to((law.check_sd**2)[:, None, :, None] * np.eye(2), view.cov.shape)
    # The pull as it is, and with a cause taken away: under the same laws, so side by side.
    beside = pull_numbers(
        view.beside(
            replace(view, mean=np.zeros_like(view.mean)),
            seen.at_last_check,
            replace(view, cov=check_only),
            view,
        ),
        np.concatenate([x, x, x, x, np.ones_like(x)]),
        np.concatenate([mpd_pct, mpd_pct, mpd_pct, mpd_pct, full_scale_mpd_pct]),
    )
    found = beside.only(slice(len(x)))
    _, no_bias, no_age, nothing_thin, at_full_scale = np.split(beside.risk, 5)
    half_scatter = pull_risk(
        replace(
            view,
            law=replace(law, rho_pct=law.rho_pct / 2, alpha_pct=law.alpha_pct / 2),
            cov=view.cov - check_only * 0.75,
        ),
        x,
        mpd_pct,
    )
    without = {
        Driver.BIAS: no_bias,
        Driver.SCATTER: half_scatter,
        Driver.AGE_OF_EVIDENCE: no_age,
        Driver.THIN_EVIDENCE: nothing_thin,
        Driver.POSITION_IN_RANGE: at_full_scale,
    }
    scores = score(found.risk, seen.passing, tolerated_pull_risk, reliability_target)
    return tuple(
        Risk(
            pull_risk=float(found.risk[i]),
            low_risk=float(found.low[i]),
            high_risk=float(found.high[i]),
            pass_probability=float(seen.passing[i]),
            score=float(scores[i]),
            deviation_pct=float(found.deviation_pct[i]),
            deviation_sd_pct=float(found.deviation_sd_pct[i]),
            mpd_pct=float(mpd_pct[i]),
            x=float(x[i]),
            drivers=_drivers({driver: float(left[i]) for driver, left in without.items()}),
        )
        for i in range(len(x))
    )


def _drivers(without: dict[Driver, float]) -> tuple[DriverShare, ...]:
    """Smallest risk left first."""
    shares = [DriverShare(driver=name, without=left) for name, left in without.items()]
    return tuple(sorted(shares, key=lambda share: share.without))
