"""The rules of `points_intake` for the torques of many checks at once.

They answer only whether every point plainly keeps them. Where one does not, `point_findings` says
what is wrong with it; whatever that would find, this must not pass.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice, repeat
from typing import TYPE_CHECKING, TypeVar

from service.points_intake import (
    BEYOND_TESTER,
    LIKELY_SLIP,
    MOST_POINTS,
    MOST_READINGS,
    ROUNDED_MARK,
    UNIT_SLIP,
    PointDraft,
    point_findings,
)
from service.records import Point, Reading, Tester, Wrench
from service.torque import Torque, newton_metres_per

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Numbers = npt.NDArray[np.float64]

Each = TypeVar("Each")


class NotPlain(Exception):  # noqa: N818 - the other road decides
    """Something is not plainly as it should be; what it is, and whether it may, is told there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueColumns:
    """The torques of many checks one after another; units are the API's codes.

    points_of    how many points each check has
    readings_of  how many readings each point has
    targets      value of each point's target, and its unit
    measured     value of each reading; the unit of each point
    shown        what the wrench was set to or showed, the same way; None: always the target
    """

    points_of: Sequence[int]
    readings_of: Sequence[int]
    targets: Sequence[float]
    target_units: Sequence[str]
    measured: Sequence[float]
    measured_units: Sequence[str]
    shown: Sequence[float] | None
    shown_units: Sequence[str]


def points_at_once(
    columns: TorqueColumns,
    *,
    wrenches: Sequence[Wrench],
    testers: Sequence[Tester | None],
    confirmed: Sequence[bool],
) -> list[tuple[Point, ...]]:
    """The points to store of each check; raises NotPlain.

    wrenches, testers, confirmed   of each check, as `point_findings` takes them
    """
    import numpy as np

    _require_counts(columns.points_of, MOST_POINTS)
    _require_counts(columns.readings_of, MOST_READINGS)
    measured_units = [*_repeated(columns.measured_units, columns.readings_of)]
    target_nm = _newton_metres(columns.targets, columns.target_units)
    measured_nm = _newton_metres(columns.measured, measured_units)
    targets = [*map(Torque, columns.targets, columns.target_units, target_nm.tolist())]
    measured = [*map(Torque, columns.measured, measured_units, measured_nm.tolist())]
    if columns.shown is None:
        shown_nm = np.repeat(target_nm, columns.readings_of)
        shown = [*_repeated(targets, columns.readings_of)]
    else:
        units = [*_repeated(columns.shown_units, columns.readings_of)]
        shown_nm = _newton_metres(columns.shown, units)
        shown = [*map(Torque, columns.shown, units, shown_nm.tolist())]

    check_of_point = np.repeat(np.arange(len(columns.points_of)), columns.points_of)
    _require_targets_apart(check_of_point, target_nm)

    def of_points(numbers: Iterable[float]) -> "Numbers":
        return np.fromiter(numbers, float, len(columns.points_of))[check_of_point]

    _require_within(
        target_nm,
        of_points(wrench.lowest.nm for wrench in wrenches),
        of_points(wrench.full_scale.nm for wrench in wrenches),
        ROUNDED_MARK,
    )
    # Without a tester there is no range to be outside of.
    lowest = of_points(tester.lowest.nm if tester else 0.0 for tester in testers)
    highest = of_points(tester.full_scale.nm if tester else np.inf for tester in testers)
    _require_within(target_nm, lowest, highest, ROUNDED_MARK)
    _require_within(
        measured_nm,
        np.repeat(lowest, columns.readings_of),
        np.repeat(highest, columns.readings_of),
        BEYOND_TESTER,
    )
    readings = [
        Reading(reference=reference, indicated=indicated)
        for reference, indicated in zip(measured, shown, strict=True)
    ]
    points = [
        Point(target=target, readings=own)
        for target, own in zip(targets, _taken(readings, columns.readings_of), strict=True)
    ]
    point_of_reading = np.repeat(np.arange(len(points)), columns.readings_of)
    for place in np.unique(point_of_reading[~_plainly_usual(measured_nm, shown_nm)]).tolist():
        check = int(check_of_point[place])
        if not confirmed[check]:
            _require_usual(points[place], wrenches[check], testers[check])
    return [*_taken(points, columns.points_of)]


def _require_counts(counts: Sequence[int], most: int) -> None:
    if not counts or min(counts) < 1 or max(counts) > most:
        raise NotPlain


def _newton_metres(values: Sequence[float], units: Sequence[str]) -> "Numbers":
    """Torques above zero in N·m; raises NotPlain for others."""
    import numpy as np

    factors = {unit: newton_metres_per(unit) for unit in set(units)}
    count = len(values)
    nm: Numbers = np.fromiter(values, float, count) * np.fromiter(
        map(factors.__getitem__, units), float, count
    )
    if not ((nm > 0) & np.isfinite(nm)).all():
        raise NotPlain
    return nm


def _require_targets_apart(check_of_point: "npt.NDArray[np.intp]", target_nm: "Numbers") -> None:
    import numpy as np

    order = np.lexsort((target_nm, check_of_point))
    in_order = target_nm[order]
    near = np.diff(in_order) <= 1e-8 * in_order[1:]  # ten times as near as those that are refused
    if (near & (np.diff(check_of_point[order]) == 0)).any():
        raise NotPlain


def _require_within(nm: "Numbers", lowest: "Numbers", highest: "Numbers", slack: float) -> None:
    if not ((lowest * (1 - slack) <= nm) & (nm <= highest * (1 + slack))).all():
        raise NotPlain


def _plainly_usual(measured_nm: "Numbers", shown_nm: "Numbers") -> "npt.NDArray[np.bool_]":
    """Readings near what the wrench said, whichever of both is the measure."""
    import numpy as np

    ratio = measured_nm / shown_nm
    usual: npt.NDArray[np.bool_] = (
        (np.abs(ratio - 1) <= UNIT_SLIP)
        & (np.abs(shown_nm / measured_nm - 1) <= UNIT_SLIP)
        & (ratio > 1 / LIKELY_SLIP)
        & (ratio < LIKELY_SLIP)
    )
    return usual


def _require_usual(point: Point, wrench: Wrench, tester: Tester | None) -> None:
    draft = PointDraft(
        target=point.target,
        readings=tuple(reading.reference for reading in point.readings),
        indicated=tuple(reading.indicated for reading in point.readings),
    )
    for _ in point_findings((draft,), wrench=wrench, tester=tester, confirm_unusual=False):
        raise NotPlain


def _repeated(each: Iterable[Each], times: Iterable[int]) -> Iterator[Each]:
    return chain.from_iterable(map(repeat, each, times))


def _taken(each: Iterable[Each], counts: Iterable[int]) -> Iterator[tuple[Each, ...]]:
    """So many of them at a time."""
    in_order = iter(each)
    for count in counts:
        yield tuple(islice(in_order, count))
