"""What a wrench's history leads one to expect of its next check at one target.

Both answers need no model: the scatter is that of earlier repeats in the same band; the change is
that from check to check at the same target so far, drift included. Plain arithmetic: for the few
hundred readings of one wrench a frame costs more than all else. Its order, segments and pooled
scatter are those of `analysis.repeatability`.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from analysis.bands import Bands
from analysis.remeasure import Prediction, Scatter
from analysis.vocabulary import Band, CheckKind

# Fewer changes than this say next to nothing of how large the next may be.
_FEWEST_CHANGES: Final = 2


class EarlierReading(NamedTuple):
    """One reading of an earlier check.

    check          id
    kind           value of CheckKind
    day            UTC days since 1970-01-01
    x              target / full scale
    deviation_pct  % of reading
    """

    check: str
    kind: str
    day: float
    x: float
    deviation_pct: float


@dataclass(frozen=True, slots=True)
class Expectation:
    """None where the history has nothing to say."""

    scatter: Scatter | None
    predicted: Prediction | None


def expect(
    history: Iterable[EarlierReading], x: float, bands: Bands, *, kind: CheckKind
) -> Expectation:
    """What to expect of the next check at one target; see `expect_each`."""
    (expected,) = expect_each(history, (x,), bands, kind=kind)
    return expected


def expect_each(
    history: Iterable[EarlierReading],
    targets: Sequence[float],
    bands: Bands,
    *,
    kind: CheckKind,
) -> tuple[Expectation, ...]:
    """What to expect of the next check at each of its targets.

    history    readings of one wrench in the direction of the check, those of a check in the order
               taken
    targets    of its points, each as x = target / full scale
    kind       of the coming check: after an adjustment (as left) no level is expected

    scatter    pooled over the earlier repeats of the band, their degrees of freedom with it
    predicted  the mean of the last check at this target; its SD is the root mean square of the
               changes between successive checks there, adjustments not spanned
    """
    cells = _cells(history, bands)
    scatters = {band: _scatter(cells, band) for band in {bands.of(x) for x in targets}}
    return tuple(
        Expectation(
            scatters[bands.of(x)], None if kind is CheckKind.AS_LEFT else _from_changes(cells, x)
        )
        for x in targets
    )


class _Cell(NamedTuple):
    """The readings of one check at one target, targets as shares of full scale."""

    segment: int
    at: float
    band: Band
    deviations_pct: list[float]


def _cells(history: Iterable[EarlierReading], bands: Bands) -> list[_Cell]:
    """In order of time; of two checks at one instant the one found comes before the one left."""
    left = CheckKind.AS_LEFT.value
    checks: dict[tuple[float, bool, str], dict[float, list[float]]] = {}
    for check, kind, day, x, deviation_pct in history:
        targets = checks.setdefault((day, kind == left, check), {})
        targets.setdefault(x, []).append(deviation_pct)
    cells: dict[tuple[str, float], _Cell] = {}
    segment = 0
    for place, ((_, is_left, check), targets) in enumerate(sorted(checks.items(), key=_instant)):
        segment += is_left and place > 0
        for x, deviations_pct in targets.items():
            # Rounded, so that one target entered in two units of torque is one target.
            at = round(x, 6)
            cell = cells.setdefault((check, at), _Cell(segment, at, bands.of(x), []))
            cell.deviations_pct.extend(deviations_pct)
    return list(cells.values())


def _instant(check: tuple[tuple[float, bool, str], object]) -> tuple[float, bool, str]:
    return check[0]


def _scatter(cells: Iterable[_Cell], band: Band) -> Scatter | None:
    squares, df = 0.0, 0
    for cell in cells:
        if cell.band is band:
            first = cell.deviations_pct[0]
            # From the first reading first: equal readings then leave exactly nothing.
            from_first = [deviation - first for deviation in cell.deviations_pct]
            mean = sum(from_first) / len(from_first)
            squares += sum((each - mean) ** 2 for each in from_first)
            df += len(from_first) - 1
    if not df:
        return None
    return Scatter(math.sqrt(squares / df), df, f"{df} degrees of freedom of earlier repeats")


def _from_changes(cells: Iterable[_Cell], x: float) -> Prediction | None:
    at = round(x, 6)
    before: _Cell | None = None
    level, squares, changes = math.nan, 0.0, 0
    for cell in cells:
        if cell.at != at:
            continue
        mean = sum(cell.deviations_pct) / len(cell.deviations_pct)
        if before is not None and before.segment == cell.segment:
            squares += (mean - level) ** 2
            changes += 1
        before, level = cell, mean
    if changes < _FEWEST_CHANGES:
        return None
    return Prediction(
        mean_pct=level,
        sd_pct=math.sqrt(squares / changes),
        df=changes,
        source=f"the last check; {changes} earlier changes",
    )
