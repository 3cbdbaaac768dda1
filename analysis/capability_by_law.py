"""Capability of a wrench anywhere in its range, by the error law of its family.

`capability` counts the readings of a band; here the law carries what all the family's wrenches
have shown to this one, at any x, measured there or not. With limits ± M at x, and for each of the
family's equally likely laws,

    Cp  = M / (3 s)              s: scatter of one reading, rho and alpha / x
    Cpk = (M - |d|) / (3 s)      d: the wrench's own deviation there on that day
    Pp  = M / (3 S)              S² = s² + effect of a check + doubt about d, which grows with
    Ppk = (M - |E d|) / (3 S)         wander and drift since the last check; rare events included

Cp and Cpk are properties of the wrench, so the doubt about d shows in their credible limit. Pp and
Ppk foretell pulls to come, so the doubt is part of S, and only the doubt about the law shows in
their limit. The fraction outside goes with the latter: it is the pull risk.

Estimates are posterior medians; a limit is passed with the stated credibility.
Source of the indices: NIST/SEMATECH e-Handbook 6.1.6.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.bracketed_root import bracketed_roots
from analysis.family import FamilyFit
from analysis.mixture import Mixture
from analysis.outlook import Outlook, outlook
from analysis.shop import Shop
from analysis.vocabulary import Direction

CREDIBILITY: Final = 0.95
_CURVE_POINTS: Final = 33


@dataclass(frozen=True, slots=True)
class Index:
    """A capability index: posterior median, and the value it exceeds with the credibility asked."""

    value: float
    lower: float


@dataclass(frozen=True, slots=True)
class PlaceCapability:
    """Capability at one place of the range in one direction on one day.

    x                 torque / full scale
    mpd_pct           ± limit there, % of reading
    deviation_pct     expected deviation there, % of reading
    within_sd_pct     s, overall_sd_pct  S: root mean squares over the laws, % of reading
    fraction_outside  expected share of pulls outside the MPD
    fraction_outside_upper  the share that it stays below with the credibility asked
    """

    x: float
    mpd_pct: float
    deviation_pct: float
    within_sd_pct: float
    overall_sd_pct: float
    cp: Index
    cpk: Index
    pp: Index
    ppk: Index
    fraction_outside: float
    fraction_outside_upper: float


def capability_by_law(
    family: FamilyFit,
    row: int,
    x: Array,
    mpd_pct: Array,
    day: float,
    *,
    credibility: float = CREDIBILITY,
) -> tuple[PlaceCapability, ...]:
    """Capability of one member of a family at each x.

    x        (X,) torque / full scale, > 0
    mpd_pct  (X,) ± limits there, % of reading, > 0
    day      UTC day; one before the last check counts as that day
    """
    member = family.of_rows([row])
    level = outlook(member, day, of_a_check=False).repeated(len(x))
    pull = outlook(member, day).repeated(len(x))
    own, reading = _ByLaw.of(level.at(x), level), _ByLaw.of(pull.reading_at(x), pull)
    within = np.sqrt(family.law.scatter_variance(x))  # (K, X)
    mean, overall = reading.mean(), reading.sd()
    outside = reading.chance_beyond(mpd_pct)
    tail = 1.0 - credibility
    cp, pp = (_indices(mpd_pct / (3.0 * sd), tail) for sd in (within, overall))
    ppk = _indices((mpd_pct - np.abs(mean)) / (3.0 * overall), tail)
    cpk = list(map(Index, _cpk(own, within, mpd_pct, 0.5), _cpk(own, within, mpd_pct, tail)))
    upper = np.quantile(outside, credibility, axis=0)
    return tuple(
        PlaceCapability(
            x=float(x[i]),
            mpd_pct=float(mpd_pct[i]),
            deviation_pct=float(mean[:, i].mean()),
            within_sd_pct=float(np.sqrt((within[:, i] ** 2).mean())),
            overall_sd_pct=float(np.sqrt((overall[:, i] ** 2).mean())),
            cp=cp[i],
            cpk=cpk[i],
            pp=pp[i],
            ppk=ppk[i],
            fraction_outside=float(outside[:, i].mean()),
            fraction_outside_upper=float(upper[i]),
        )
        for i in range(len(x))
    )


def capability_curve(
    shop: Shop, wrench: str, direction: Direction, day: float
) -> tuple[PlaceCapability, ...]:
    """Capability from the lowest marked value to full scale, the plan's targets among the places.

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading.
    """
    marked = shop.ranges[wrench]
    plan = marked.plan(shop.rules.plan_shares, shop.rules.plan_repeats)
    lowest = marked.lowest_nm / marked.full_scale_nm
    places = np.array(sorted({*np.linspace(lowest, 1.0, _CURVE_POINTS).tolist(), *plan.x}))
    limits = marked.mpd_pct(direction, places)
    family, row = shop.fit.place(wrench, direction)
    return capability_by_law(family, row, places, limits, day)


@dataclass(frozen=True, slots=True)
class _ByLaw:
    """A mixture for each of K laws and X places: C components each, (C, K, X); weights sum to one
    for each law and place.
    """

    centre: Array
    variance: Array
    weight: Array

    @classmethod
    def of(cls, mixture: Mixture, view: Outlook) -> "_ByLaw":
        """Of one wrench at X places; components of one kind stand together, law by law."""
        shape = -1, *view.mean.shape[:2]
        return cls(
            mixture.mean.reshape(shape),
            mixture.variance.reshape(shape),
            view.law.size * mixture.weight.reshape(shape),
        )

    def mean(self) -> Array:
        return np.asarray((self.weight * self.centre).sum(axis=0))

    def sd(self) -> Array:
        spread = self.variance + (self.centre - self.mean()) ** 2
        return np.asarray(np.sqrt((self.weight * spread).sum(axis=0)))

    def chance_beyond(self, limit: Array) -> Array:
        """(K, X) P(|value| > limit), one for a limit below zero; limit (X,) or (K, X)."""
        from scipy.special import ndtr  # slow to import, needed only when a forecast is asked for

        sd = np.sqrt(self.variance)
        beyond = ndtr((self.centre - limit) / sd) + ndtr((-limit - self.centre) / sd)
        return np.where(limit < 0.0, 1.0, (self.weight * beyond).sum(axis=0))


def _indices(by_law: Array, tail: float) -> list[Index]:
    values, lower = np.median(by_law, axis=0), np.quantile(by_law, tail, axis=0)
    return list(map(Index, values.tolist(), lower.tolist()))


def _cpk(own: _ByLaw, within: Array, limit: Array, probability: float) -> list[float]:
    """The Cpk that the wrench's own falls short of with this probability, at each place.

    Cpk <= c just when |d| >= M - 3 c s, so its distribution is that of |d| over all laws.
    """
    high = (limit / (3.0 * within)).max(axis=0)
    far = np.abs(own.centre).max(axis=(0, 1)) + 9.0 * np.sqrt(own.variance).max(axis=(0, 1))
    low = ((limit - far) / (3.0 * within)).min(axis=0)
    found = bracketed_roots(
        lambda c: own.chance_beyond(limit - 3.0 * c * within).mean(axis=0) - probability, low, high
    )
    return [float(each) for each in found]
