"""Forecasts and verdicts on drift over real series, as two tables in Markdown.

Run from the checkout, for all series or those whose names contain a word:

    python -m tests.simulation.real_series [WORD]

Sources of the series: tests/reference/data/README.md.
"""

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import linregress

from analysis.drift import Rate
from analysis.history import Histories
from tests.simulation import published_series as published
from tests.simulation.forward_chain import (
    METHODS,
    Forecasts,
    Score,
    ahead_by_days,
    ahead_by_occasions,
    fitted,
    forward_chain,
    gain_rate,
    score,
    vague_assumption,
)
from tests.simulation.published_series import Series

_MONTH: Final = 365.25 / 12
_MONTHS_AHEAD: Final = (1, 6, 12)
_STEPS_AHEAD: Final = (1, 6, 12)


@dataclass(frozen=True, slots=True)
class Study:
    """One series and from where it is forecast.

    origins   occasions known at each origin
    targets   for each origin the occasion wanted at each horizon
    horizons  in words
    """

    series: Series
    origins: tuple[int, ...]
    targets: tuple[tuple[int | None, ...], ...]
    horizons: tuple[str, ...]


def _by_months(series: Series, first: int, step: int, tolerance_days: float) -> Study:
    """Origins at every `step`th check from the `first`; months are those of the calendar."""
    ends = [int(index) + 1 for index in np.flatnonzero(series.used)[first - 1 :: step]]
    spans = [months * _MONTH for months in _MONTHS_AHEAD]
    targets = ahead_by_days(series, ends, spans, tolerance_days)
    kept = [i for i, row in enumerate(targets) if any(target is not None for target in row)]
    return Study(
        series,
        tuple(ends[i] for i in kept),
        tuple(tuple(targets[i]) for i in kept),
        tuple(f"{m} month{'s' * (m > 1)}" for m in _MONTHS_AHEAD),
    )


def _by_steps(series: Series, first: int, step: int, unit: str) -> Study:
    """Origins at every `step`th check from the `first`; what lies ahead is counted in checks."""
    used = np.flatnonzero(series.used)
    between = int(used[1] - used[0])
    ends = [int(index) + 1 for index in used[first - 1 :: step] if index + between < used[-1]]
    targets = ahead_by_occasions(series, ends, [between * s for s in _STEPS_AHEAD])
    return Study(
        series,
        tuple(ends),
        tuple(tuple(row) for row in targets),
        tuple(f"{s * between} {unit}{'s' * (s * between > 1)}" for s in _STEPS_AHEAD),
    )


def _gauge_study() -> Study:
    """From the six days of March to the first and the last day of April."""
    series = published.resistivity_gauge_study()
    return Study(series, (6,), ((6, 11),), ("3 weeks", "4 weeks"))


STUDIES: Final[dict[str, Callable[[], Study]]] = {
    "resistor": lambda: _by_months(
        published.every_months(published.standard_resistor(), 1), first=6, step=3, tolerance_days=15
    ),
    "resistor half-yearly": lambda: _by_months(
        published.every_months(published.standard_resistor(), 6), first=3, step=1, tolerance_days=15
    ),
    "mass": lambda: _by_months(
        published.every_months(published.mass_check_standard(), 3),
        first=6, step=2, tolerance_days=45,
    ),
    "check standard 137": lambda: _by_steps(
        published.resistivity_check_standard(), first=6, step=1, unit="occasion"
    ),
    "gauge study": _gauge_study,
    "random walk": lambda: _by_steps(
        published.every_nth(published.random_walk(), 5), first=20, step=7, unit="point"
    ),
    "heat flow": lambda: _by_steps(
        published.every_nth(published.heat_flow_factor(), 3), first=15, step=5, unit="reading"
    ),
    "transmittance": lambda: _by_steps(
        published.filter_transmittance(), first=10, step=4, unit="reading"
    ),
    "Nile": lambda: _by_steps(published.nile(), first=15, step=7, unit="year"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """How one method did at one horizon of one series."""

    series: str
    unit: str
    origins: int
    horizon: str
    method: str
    score: Score


def forecasts_of(study: Study) -> dict[str, tuple[Forecasts, ...]]:
    """By method, for each horizon."""
    return forward_chain(study.series, study.origins, study.targets)


def forecast_rows(
    study: Study, forecasts: dict[str, tuple[Forecasts, ...]]
) -> tuple[ForecastRow, ...]:
    """Every horizon and method, from `forecasts_of` the study."""
    return tuple(
        ForecastRow(
            study.series.name,
            study.series.unit,
            len(study.origins),
            horizon,
            method,
            score(forecasts[method][h]),
        )
        for h, horizon in enumerate(study.horizons)
        for method in METHODS
    )


@dataclass(frozen=True, slots=True)
class DriftRow:
    """Whether a whole series drifts, by its own law and by a line through its checks.

    rates       of each item, a year of the basis
    line_rate, line_t  least squares on the means of the first item's checks, as if independent
    jumps       the checks before which the first item's level jumped, counted from 0
    """

    series: str
    unit: str
    checks: int
    basis: str
    rates: tuple[Rate, ...]
    line_rate: float
    line_t: float
    jumps: tuple[int, ...]

    @property
    def rate(self) -> Rate:
        """Of the first item."""
        return self.rates[0]

    @property
    def called_drift(self) -> int:
        """How many items have a rate whose 95 % interval leaves zero out."""
        return sum(rate.lower > 0 or rate.upper < 0 for rate in self.rates)


def drift_row(series: Series, first: int, end: int | None = None) -> DriftRow:
    """The verdict on the first `end` occasions (all), the prior of the first `first` of them."""
    end = series.occasions if end is None else end
    known = series.upto(end)
    fit = fitted(series, end, vague_assumption(series.upto(first)))
    line_rate, line_t = least_squares(known)
    return DriftRow(
        series.name,
        series.unit,
        known.present.shape[1],
        fit.basis.value,
        tuple(gain_rate(fit, item) for item in range(series.items)),
        line_rate,
        line_t,
        tuple(np.flatnonzero(fit.histories.jumped[0]).tolist()),
    )


def least_squares(known: Histories) -> tuple[float, float]:
    """Slope a year through the checks of the first item, and its t."""
    line = linregress(known.year[0], known.mean_pct[0, :, 0])
    return float(line.slope), float(line.slope / line.stderr)


def _cells(row: ForecastRow) -> tuple[str, ...]:
    s = row.score
    return (
        f"{row.series} ({row.unit})", row.horizon, row.method, f"{s.forecasts}",
        f"{s.bias:+.1f}", f"{s.rmse:.1f}", f"{s.width:.0f}",
        f"{s.covered:.2f} ({s.covered_lower:.2f} to {s.covered_upper:.2f})",
    )  # fmt: skip


def _drift_cells(row: DriftRow) -> tuple[str, ...]:
    r = row.rate
    return (
        f"{row.series} ({row.unit})", f"{row.checks}", row.basis,
        f"{r.per_year:+.1f} ({r.lower:+.1f} to {r.upper:+.1f})", f"{r.tail_probability:.3f}",
        f"{row.called_drift} of {len(row.rates)}",
        f"{row.line_rate:+.1f}", f"{row.line_t:+.1f}",
        ", ".join(map(str, row.jumps)) or "none",
    )  # fmt: skip


_FORECAST_HEAD: Final = (
    "series", "ahead", "method", "n", "bias", "RMSE", "width of 95 % interval", "covered",
)  # fmt: skip
_DRIFT_HEAD: Final = (
    "series", "checks", "basis", "rate a year (95 %)", "tail probability", "called drift",
    "least squares", "its t", "jumps before check",
)  # fmt: skip


def _markdown(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for cells in rows:
        yield "| " + " | ".join(cells) + " |"


def main(word: str = "") -> None:
    chosen = [make() for name, make in STUDIES.items() if word in name]
    scored = (row for study in chosen for row in forecast_rows(study, forecasts_of(study)))
    verdicts = (drift_row(study.series, study.origins[0]) for study in chosen)
    for head, rows in (
        (_FORECAST_HEAD, map(_cells, scored)),
        (_DRIFT_HEAD, map(_drift_cells, verdicts)),
    ):
        for line in _markdown(head, rows):
            print(line, flush=True)  # noqa: T201 - the table is what the command is for
        print(flush=True)  # noqa: T201


if __name__ == "__main__":
    main(*sys.argv[1:2])
