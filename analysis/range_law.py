"""Which part of the error law makes the error at the bottom of a mechanism's range.

The law of `analysis.error_law` is learnt once more from all wrenches of a mechanism, whatever their
size, under an assumption that is the same for every mechanism and leans towards "the same
everywhere": its 1/x terms are expected to be small, a quarter of the gain terms even at a tenth of
full scale. What is assumed of springs and electronics elsewhere must not decide whether they
differ.

At x the mean square deviation of a pull one year after the wrench was first seen is a sum of

    scatter   rho²                     (alpha / x)²
    check     s_G²                     (s_O / x)²                 hand, fixture, seat
    level     sd of G²                 (sd of O / x)²             between wrenches
    drift     sd of rate² + wander²    (the same of O / x)²       between wrenches, in that year
    level and drift that all wrenches share: with m and r their means at x, m (m + r) and r (m + r),
              so that what the two make together is divided evenly (below zero where they cancel)

Each law of the posterior gives the parts; an SD is their median, a share their mean (so that shares
add up), an interval their central 95 %. Assumed medians and spreads are choices, no source.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.error_law import Assumption, ErrorLaw
from analysis.errors import NotEnoughEvidence
from analysis.family_posterior import family_posterior
from analysis.history import Histories
from analysis.numerals import counted

DRAWS: Final = 128
_FEWEST_WRENCHES: Final = 5

_GAIN_SD: Final = 0.4
_OFFSET_SD: Final = 0.01
_LOG_SD_SPREAD: Final = 1.5  # a factor of 4.5 either way: the readings decide
_EVENTS: Final = ((0.001, 1.5), (2.5, 0.4), (0.0007, 1.5))  # as in `analysis.error_law`


def neutral_assumption() -> Assumption:
    """The prior that is the same for every mechanism."""
    sds = np.log([_GAIN_SD, _OFFSET_SD] * 6)
    usual, spread = np.array(_EVENTS).T
    events = np.log(usual)
    events[-1] -= np.log1p(-usual[-1])  # the share's odds
    means = np.array([1.0, 0.2] * 3)
    return Assumption(
        centre=np.concatenate([np.zeros(6), sds, events]),
        spread=np.concatenate([means, np.full(12, _LOG_SD_SPREAD), spread]),
    )


@dataclass(frozen=True, slots=True)
class Spread:
    """A number of the law: posterior median and central 95 % interval."""

    value: float
    lower: float
    upper: float


def spread_of(draws: Array) -> Spread:
    """Median and central interval of equally likely values."""
    lower, value, upper = np.quantile(draws, [0.025, 0.5, 0.975])
    return Spread(float(value), float(lower), float(upper))


@dataclass(frozen=True, slots=True)
class ErrorPart:
    """One part of the mean square error at a place.

    name    scatter, check, level or drift
    term    gain (the same everywhere in % of reading) or offset (grows as 1 / x), both between
            wrenches; shared: what all wrenches have in common
    sd_pct  its size there, % of reading
    share   of the mean square error there
    """

    name: str
    term: str
    sd_pct: Spread
    share: Spread


@dataclass(frozen=True, slots=True)
class RangeLaw:
    """The law of a mechanism in one direction, learnt without a view on mechanisms.

    draws             equally likely laws
    wrenches, checks  learnt from
    """

    draws: ErrorLaw
    wrenches: int
    checks: int

    def parameters(self) -> dict[str, Spread]:
        """o0, o1, g0, g1 and the rest by name; % of reading (gain), % of full scale (offset)."""
        law = self.draws
        named: dict[str, Spread] = {}
        for column, term in enumerate(("gain", "offset")):
            named |= {
                f"level_mean_{term}": spread_of(law.level_mean[:, column]),
                f"level_sd_{term}": spread_of(law.level_sd[:, column]),
                f"rate_mean_{term}_per_year": spread_of(law.rate_mean[:, column]),
                f"rate_sd_{term}_per_year": spread_of(law.rate_sd[:, column]),
                f"check_sd_{term}": spread_of(law.check_sd[:, column]),
                f"wander_sd_{term}_after_a_year": spread_of(law.wander_sd[:, column]),
            }
        return named

    def squares(self, x: float) -> dict[tuple[str, str], Array]:
        """(K,) mean squares of every part at x, by name and term, (% of reading)²."""
        law = self.draws
        z = np.array([1.0, 1.0 / x])
        pairs = {
            "check": law.check_sd**2,
            "level": law.level_sd**2,
            "drift": law.rate_sd**2 + law.wander_sd**2,
        }
        parts = {
            ("scatter", "gain"): law.rho_pct**2,
            ("scatter", "offset"): (law.alpha_pct / x) ** 2,
        }
        for name, pair in pairs.items():
            parts[name, "gain"] = pair[:, 0]
            parts[name, "offset"] = pair[:, 1] / x**2
        level, drift = law.level_mean @ z, law.rate_mean @ z
        parts["level", "shared"] = np.asarray(level * (level + drift))
        parts["drift", "shared"] = np.asarray(drift * (level + drift))
        return parts

    def parts(self, x: float) -> tuple[ErrorPart, ...]:
        """The mean square error at x taken apart, largest part first."""
        squares = self.squares(x)
        total = sum(squares.values())
        found = [
            ErrorPart(
                name,
                term,
                spread_of(np.sqrt(np.maximum(square, 0.0))),
                replace(spread_of(square / total), value=float((square / total).mean())),
            )
            for (name, term), square in squares.items()
        ]
        return tuple(sorted(found, key=lambda part: -part.share.value))

    def typical_error(self, x: float) -> Spread:
        """Root mean square deviation at x, % of reading."""
        return spread_of(np.sqrt(sum(self.squares(x).values())))

    def drift_sd(self, x: float) -> Spread:
        """How far a wrench's deviation at x moves in a year, root mean square, % of reading."""
        law = self.draws
        z = np.array([1.0, 1.0 / x])
        square = (law.rate_sd**2 + law.wander_sd**2) @ z**2 + (law.rate_mean @ z) ** 2
        return spread_of(np.sqrt(square))


def range_law(histories: Histories) -> RangeLaw:
    """The law of all histories of one mechanism in one direction.

    Raises NotEnoughEvidence with fewer than five wrenches that were checked on two days.
    """
    repeated = int((histories.day[:, -1] > histories.day[:, 0]).sum()) if histories.size else 0
    if repeated < _FEWEST_WRENCHES:
        raise NotEnoughEvidence(
            because=f"it rests on {counted(repeated, 'wrench')} checked on two days or more",
            needed=f"{_FEWEST_WRENCHES} such wrenches would do for a first answer",
        )
    posterior = family_posterior(histories, neutral_assumption(), draws=DRAWS)
    return RangeLaw(posterior.draws, histories.size, int(histories.present.sum()))
