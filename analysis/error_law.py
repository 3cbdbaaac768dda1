"""The error law of a torque wrench, its parameters, and what is assumed before any data.

For one direction of one wrench, at x = target / full scale and time t in years,

    d(x, t) = G(t) + s_G + (O(t) + s_O) / x + e,        Var e = rho² + (alpha / x)²

    d          deviation, % of reading (ISO 6789 sign)
    G, O       gain error (% of reading) and offset error (% of full scale): levels that move with
               a constant rate of their own plus Brownian wander, and now and then jump at a knock
               that nobody logs
    s_G, s_O   effect of one check (hand, fixture, temperature), shared by all its readings; now
               and then a check goes astray and its effect is several times as large
    rho        proportional scatter, % of reading
    alpha      constant scatter, % of full scale: divided by x it grows at the bottom of the range

A family's parameters say how levels, rates, wander, check effects and scatter vary between and
within its wrenches. Every pair below is (gain, offset).
"""

from dataclasses import dataclass, fields
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.vocabulary import Mechanism

DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True)
class ErrorLaw:
    """P sets of family parameters: (P, 2) arrays of (gain, offset), and (P,) arrays of scatter.

    level_mean, level_sd        % and % of full scale: a wrench when first seen
    rate_mean, rate_sd          the same per year: its drift
    adjusted_mean, adjusted_sd  its level just after an adjustment
    check_sd                    effect of one check
    wander_sd                   Brownian wander over one year
    rho_pct, alpha_pct          scatter of one reading
    knocks_per_year             how often a wrench is knocked
    knock_ratio                 SD of a knock's jump as a multiple of level_sd
    stray_share                 share of checks that go astray, their effect STRAY_FACTOR as large
    """

    level_mean: Array
    rate_mean: Array
    adjusted_mean: Array
    level_sd: Array
    rate_sd: Array
    adjusted_sd: Array
    check_sd: Array
    wander_sd: Array
    rho_pct: Array
    alpha_pct: Array
    knocks_per_year: Array
    knock_ratio: Array
    stray_share: Array

    @property
    def size(self) -> int:
        return int(self.rho_pct.shape[0])

    @property
    def knock_sd(self) -> Array:
        """(P, 2) SD of a knock's jump."""
        return np.asarray(self.knock_ratio[:, None] * self.level_sd)

    def knock_chance(self, years: Array) -> Array:
        """(P, ...) chance of at least one knock within `years` (...)."""
        lead = (slice(None),) + (None,) * years.ndim
        return np.asarray(-np.expm1(-self.knocks_per_year[lead] * years))

    def scatter_variance(self, x: Array) -> Array:
        """Var e of one reading at x: (P, ...) for x of shape (...), % squared."""
        lead = (slice(None),) + (None,) * x.ndim
        return np.asarray(self.rho_pct[lead] ** 2 + (self.alpha_pct[lead] / x) ** 2)

    def take(self, index: NDArray[np.intp] | slice) -> Self:
        """The chosen parameter sets."""
        return type(self)(*(getattr(self, f.name)[index] for f in fields(self)))


# Order of the 21 coordinates: six means, then the logarithms of everything positive, and of the
# odds of what is a share, so that no coordinate however large makes it more than all.
_MEANS: Final = ("level_mean", "rate_mean", "adjusted_mean")
_PAIRED_SDS: Final = ("level_sd", "rate_sd", "adjusted_sd", "check_sd", "wander_sd")
_SINGLES: Final = ("rho_pct", "alpha_pct", "knocks_per_year", "knock_ratio")
COORDINATES: Final = tuple(
    [f"{name}.{part}" for name in _MEANS for part in ("gain", "offset")]
    + [f"log {name}.{part}" for name in _PAIRED_SDS for part in ("gain", "offset")]
    + [f"log {name}" for name in _SINGLES]
    + ["log odds of stray_share"]
)


def law_from_coordinates(coordinates: Array) -> ErrorLaw:
    """Parameters from (P, 21) coordinates in the order of COORDINATES."""
    means = coordinates[:, :6].reshape(-1, 3, 2)
    sds = np.exp(coordinates[:, 6:16]).reshape(-1, 5, 2)
    singles = np.exp(coordinates[:, 16:20])
    return ErrorLaw(
        **{name: means[:, i] for i, name in enumerate(_MEANS)},
        **{name: sds[:, i] for i, name in enumerate(_PAIRED_SDS)},
        **{name: singles[:, i] for i, name in enumerate(_SINGLES)},
        stray_share=1.0 / (1.0 + np.exp(-coordinates[:, 20])),
    )


def coordinates_of(law: ErrorLaw) -> Array:
    """The inverse of `law_from_coordinates`.

    All but the means must be above zero, the share of stray checks below one.
    """
    parts = [getattr(law, name) for name in _MEANS]
    parts += [np.log(getattr(law, name)) for name in _PAIRED_SDS]
    parts += [np.log(getattr(law, name))[:, None] for name in _SINGLES]
    parts.append(np.log(law.stray_share / (1.0 - law.stray_share))[:, None])
    return np.concatenate(parts, axis=1)


@dataclass(frozen=True, slots=True)
class Assumption:
    """What is held of a mechanism before its family has spoken: a normal prior per coordinate.

    centre, spread  (21,) in the order of COORDINATES
    """

    centre: Array
    spread: Array


# Medians of the standard deviations assumed for each mechanism, (gain, offset): common practice,
# no source. A factor of e^0.8 = 2.2 either way is one standard deviation of the prior, so a
# handful of wrenches outweighs them.
_ASSUMED: Final[dict[Mechanism, dict[str, tuple[float, ...]]]] = {
    Mechanism.SPRING: {
        "level_sd": (0.9, 0.15), "rate_sd": (0.6, 0.10), "adjusted_sd": (0.5, 0.08),
        "check_sd": (0.35, 0.05), "wander_sd": (0.35, 0.05),
        "rho_pct": (0.45,), "alpha_pct": (0.10,),
    },
    Mechanism.ELECTRONIC: {
        "level_sd": (0.5, 0.05), "rate_sd": (0.35, 0.03), "adjusted_sd": (0.25, 0.03),
        "check_sd": (0.20, 0.03), "wander_sd": (0.20, 0.03),
        "rho_pct": (0.25,), "alpha_pct": (0.03,),
    },
    Mechanism.BEAM: {
        "level_sd": (0.9, 0.20), "rate_sd": (0.25, 0.05), "adjusted_sd": (0.6, 0.12),
        "check_sd": (0.40, 0.10), "wander_sd": (0.20, 0.05),
        "rho_pct": (0.60,), "alpha_pct": (0.20,),
    },
    Mechanism.DIAL: {
        "level_sd": (0.9, 0.15), "rate_sd": (0.45, 0.07), "adjusted_sd": (0.5, 0.10),
        "check_sd": (0.35, 0.06), "wander_sd": (0.30, 0.05),
        "rho_pct": (0.45,), "alpha_pct": (0.12,),
    },
}  # fmt: skip
_LOG_SD_SPREAD: Final = 0.8
# What happens to any wrench: a knock in a thousand years, its size a multiple of the family's
# spread, and seven checks in ten thousand gone astray; beside each the spread of its logarithm
# (assumptions, no source).
_ASSUMED_EVENTS: Final = {
    "knocks_per_year": (0.001, 1.5),
    "knock_ratio": (2.5, 0.4),
    "stray_share": (0.0007, 1.5),
}
STRAY_FACTOR: Final = 4.0


def assumption(mechanism: Mechanism) -> Assumption:
    """The prior of a mechanism: means about zero, standard deviations about the trade's medians."""
    assumed = _ASSUMED[mechanism]
    # A mean may lie as far from zero as its wrenches may from each other.
    mean_spread = np.concatenate(
        [np.asarray(assumed[name]) for name in ("level_sd", "rate_sd", "adjusted_sd")]
    )
    sds = np.concatenate(
        [np.asarray(assumed[name]) for name in (*_PAIRED_SDS, "rho_pct", "alpha_pct")]
    )
    events = np.array(list(_ASSUMED_EVENTS.values()))
    usual = np.log(events[:, 0])
    usual[-1] -= np.log1p(-events[-1, 0])  # the share's odds
    return Assumption(
        centre=np.concatenate([np.zeros(6), np.log(sds), usual]),
        spread=np.concatenate([mean_spread, np.full(len(sds), _LOG_SD_SPREAD), events[:, 1]]),
    )
