"""From which share of full scale on a wrench may be trusted: of a mechanism, and of one wrench.

Of a mechanism: the lowest x from which on, up to full scale, a pull of a wrench as found is outside
its limit no more often than the shop tolerates, or from which the shop's capability (Ppk of all
as-found readings) is met. The curve of `analysis.range_error` gives both; the interval comes from
curves as likely as the readings leave them.

Of one wrench: the stretch of its range, up from below, in which its own pull risk on a day is no
more than the shop tolerates. Its level and drift are its own, drawn towards its family as far as
its checks are few; its scatter is its family's.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array, Flags
from analysis.family import FamilyFit
from analysis.outlook import outlook
from analysis.range_error import ErrorCurve
from analysis.risk import outside_by_law
from analysis.shop import Shop
from analysis.vocabulary import Direction
from analysis.wrench_range import Tolerance

PPK_AIMED_AT: Final = 1.0  # a choice, no source: three standard deviations within the limit
_STEP: Final = 0.005
_CURVES: Final = 400
_SEED: Final = 6789
_PLACES: Final = 61
_WRENCHES_AT_ONCE: Final = 64  # bounds the memory


@dataclass(frozen=True, slots=True)
class TrustFloor:
    """Where a mechanism begins to be trusted, as shares of full scale.

    floor           None: nowhere in the range
    lower, upper    95 % interval of it; `upper` None: it may be nowhere
    lowest_checked  nothing is known below: a floor there means "as far down as was checked"
    """

    floor: float | None
    lower: float | None
    upper: float | None
    lowest_checked: float


@dataclass(frozen=True, slots=True)
class TrustedWindow:
    """Where one wrench may be trusted in one direction on a day, as shares of full scale.

    lowest, highest  of the window; None: nowhere in its marked range
    floor_lower, floor_upper  95 % interval of `lowest` by the doubt about the family's law
    worst            its pull risk where it is highest within the marked range
    worst_at         the share of full scale where that is
    checks           how many its history holds
    """

    wrench: str
    direction: Direction
    lowest: float | None
    highest: float | None
    floor_lower: float | None
    floor_upper: float | None
    worst: float
    worst_at: float
    checks: int


@dataclass(frozen=True, slots=True)
class CapabilityPlace:
    """Ppk of as-found readings at one x, and the share of pulls outside, with 95 % intervals."""

    x: float
    ppk: float
    ppk_lower: float
    ppk_upper: float
    outside: float
    outside_lower: float
    outside_upper: float


def outside_share(curve: ErrorCurve, x: Array, tolerances: Mapping[Tolerance, int]) -> Array:
    """(X,) share of as-found pulls outside the limit, over wrenches with these tolerances.

    tolerances  how many wrenches have each
    """
    from scipy.special import ndtr  # slow to import

    mean, sd = curve.moments(x)
    outside = np.zeros_like(x)
    for limit, count in _limits(tolerances, x):
        outside += count * (ndtr((mean - limit) / sd) + ndtr((-mean - limit) / sd))
    return np.asarray(outside / sum(tolerances.values()))


def capability(curve: ErrorCurve, x: Array, tolerances: Mapping[Tolerance, int]) -> Array:
    """(X,) Ppk of as-found readings, of the wrenches with the narrowest limit there."""
    mean, sd = curve.moments(x)
    narrowest = np.min([limit for limit, _ in _limits(tolerances, x)], axis=0)
    return np.asarray((narrowest - np.abs(mean)) / (3 * sd))


def capability_along(
    curve: ErrorCurve, tolerances: Mapping[Tolerance, int], x: Array
) -> tuple[CapabilityPlace, ...]:
    """Both measures at each x; the intervals come from curves as likely as the readings leave."""
    drawn = curve.drawn(_CURVES, _SEED)
    measures = []
    for measure in (capability, outside_share):
        ends = np.quantile([measure(c, x, tolerances) for c in drawn], [0.025, 0.975], axis=0)
        measures += [measure(curve, x, tolerances), *ends]
    return tuple(
        CapabilityPlace(float(place), *(float(value) for value in values))
        for place, *values in zip(x, *measures, strict=True)
    )


def _limits(tolerances: Mapping[Tolerance, int], x: Array) -> Iterable[tuple[Array, int]]:
    for tolerance, count in tolerances.items():
        scale = 1.0 / x if tolerance.of_full_scale else np.ones_like(x)
        yield tolerance.percent * scale, count


def floor_by_risk(
    curve: ErrorCurve, tolerances: Mapping[Tolerance, int], tolerated: float
) -> TrustFloor:
    """The floor at which no more than `tolerated` of as-found pulls are outside the limit."""
    x = _places(curve)
    return _floor(
        x,
        outside_share(curve, x, tolerances) <= tolerated,
        [outside_share(c, x, tolerances) <= tolerated for c in curve.drawn(_CURVES, _SEED)],
    )


def floor_by_capability(
    curve: ErrorCurve, tolerances: Mapping[Tolerance, int], aimed_at: float = PPK_AIMED_AT
) -> TrustFloor:
    """The floor at which the Ppk aimed at is met."""
    x = _places(curve)
    return _floor(
        x,
        capability(curve, x, tolerances) >= aimed_at,
        [capability(c, x, tolerances) >= aimed_at for c in curve.drawn(_CURVES, _SEED)],
    )


def _places(curve: ErrorCurve) -> Array:
    bottom = curve.spread.bottom
    return np.linspace(bottom, 1.0, max(2, round((1.0 - bottom) / _STEP) + 1))


def _lowest_of_run_from_top(met: Flags) -> int | None:
    """Index from which on all is met; None if not even the last."""
    if not met[-1]:
        return None
    missed = np.flatnonzero(~met)
    return int(missed[-1]) + 1 if len(missed) else 0


def _floor(x: Array, met: Flags, met_drawn: list[Flags]) -> TrustFloor:
    def at(index: int | None) -> float:
        return np.inf if index is None else float(x[index])

    drawn = np.array([at(_lowest_of_run_from_top(m)) for m in met_drawn])
    lower, upper = np.quantile(drawn, [0.025, 0.975], method="nearest")
    found = at(_lowest_of_run_from_top(met))

    def known(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    return TrustFloor(known(found), known(lower), known(upper), float(x[0]))


def trusted_windows(shop: Shop, day: float) -> tuple[TrustedWindow, ...]:
    """The window of every wrench and direction with a stated tolerance and a reading, by serial."""
    found = [window for family in shop.fit.families for window in _of_family(shop, family, day)]
    return tuple(sorted(found, key=lambda window: (window.wrench, window.direction.value)))


def trusted_window(shop: Shop, wrench: str, direction: Direction, day: float) -> TrustedWindow:
    """The window of one wrench.

    Raises OutsideRange without a stated tolerance that way, NotEnoughEvidence without a reading.
    """
    shop.ranges[wrench].mpd_pct(direction, 1.0)
    family, row = shop.fit.place(wrench, direction)
    return next(iter(_of_family(shop, family.of_rows([row]), day)))


def _of_family(shop: Shop, family: FamilyFit, day: float) -> Iterable[TrustedWindow]:
    direction = family.direction
    rows = [
        row
        for row, name in enumerate(family.histories.wrenches)
        if direction in shop.ranges[name].tolerances
    ]
    if not rows:
        return
    members = family.of_rows(rows)
    marked = [shop.ranges[name] for name in members.histories.wrenches]
    lowest = np.array([m.lowest_nm / m.full_scale_nm for m in marked])
    places = lowest + np.linspace(0.0, 1.0, _PLACES)[:, None] * (1.0 - lowest)  # (X, N)
    limits = np.stack([m.mpd_pct(direction, x) for m, x in zip(marked, places.T, strict=True)])
    view = outlook(members, day)
    risk = np.empty((view.law.size, *places.shape))
    for start in range(0, len(rows), _WRENCHES_AT_ONCE):
        part = np.arange(start, min(start + _WRENCHES_AT_ONCE, len(rows)))
        everywhere = view.of_rows(np.tile(part, _PLACES))
        found = outside_by_law(everywhere, places[:, part].ravel(), limits[part].T.ravel())
        risk[:, :, part] = found.reshape(-1, _PLACES, len(part))
    checks = members.histories.present.sum(axis=1)
    for n, name in enumerate(members.histories.wrenches):
        yield _window(
            name, direction, places[:, n], risk[:, :, n], shop.rules.tolerated_pull_risk,
            int(checks[n]),
        )  # fmt: skip


def _window(
    wrench: str, direction: Direction, x: Array, risk: Array, tolerated: float, checks: int
) -> TrustedWindow:
    """risk (K, X)"""
    mean = risk.mean(axis=0)
    stretch = _stretch(mean <= tolerated)
    floors = [s[0] for s in (_stretch(r <= tolerated) for r in risk) if s is not None]
    worst = int(mean.argmax())
    bounds = np.quantile(x[floors], [0.025, 0.975], method="nearest") if floors else None
    return TrustedWindow(
        wrench=wrench,
        direction=direction,
        lowest=None if stretch is None else float(x[stretch[0]]),
        highest=None if stretch is None else float(x[stretch[1]]),
        floor_lower=None if bounds is None else float(bounds[0]),
        # Laws under which nothing is trusted leave the upper end open.
        floor_upper=None if bounds is None or len(floors) < 0.975 * len(risk) else float(bounds[1]),
        worst=float(mean[worst]),
        worst_at=float(x[worst]),
        checks=checks,
    )


def _stretch(met: Flags) -> tuple[int, int] | None:
    """First and last index of the highest unbroken stretch that is met."""
    where = np.flatnonzero(met)
    if not len(where):
        return None
    last = int(where[-1])
    missed = np.flatnonzero(~met[:last])
    return (int(missed[-1]) + 1 if len(missed) else 0), last
