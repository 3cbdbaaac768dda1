"""Invented laws, histories and families for the tests of the forecasting core."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.family import FamilyFit
from analysis.history import Histories, pack_histories
from analysis.history_filter import filter_histories
from analysis.outliers import reading_scale
from analysis.tails import NORMAL, Tails
from analysis.time_basis import TimeBasis, clock_sd_per_year, pace_spreads, with_clock
from analysis.vocabulary import CheckKind, Direction

TINY = 1e-7  # an SD that stands for none where none is not allowed


def a_law(**changes: tuple[float, float] | float) -> ErrorLaw:
    """One law (size 1) without knocks or strays, unless changed.

    Every number differs, so that none can stand in for another.
    """
    numbers: dict[str, tuple[float, float] | float] = {
        "level_mean": (0.4, -0.07),
        "rate_mean": (0.3, 0.05),
        "adjusted_mean": (-0.1, 0.02),
        "level_sd": (1.1, 0.17),
        "rate_sd": (0.7, 0.12),
        "adjusted_sd": (0.5, 0.09),
        "check_sd": (0.35, 0.06),
        "wander_sd": (0.4, 0.08),
        "rho_pct": 0.45,
        "alpha_pct": 0.11,
        "knocks_per_year": 0.0,
        "knock_ratio": 3.0,
        "stray_share": 0.0,
    } | changes
    return ErrorLaw(**{name: np.array([value], dtype=float) for name, value in numbers.items()})


def a_gain_only_law(
    *,
    level_mean: float,
    level_sd: float = TINY,
    rate_mean: float = 0.0,
    rate_sd: float = TINY,
    check_sd: float = TINY,
    wander_sd: float = TINY,
    rho_pct: float,
) -> ErrorLaw:
    """A law without offset: the sub-model that textbooks and general software can express."""
    return a_law(
        level_mean=(level_mean, 0.0),
        rate_mean=(rate_mean, 0.0),
        adjusted_mean=(0.0, 0.0),
        level_sd=(level_sd, TINY),
        rate_sd=(rate_sd, TINY),
        adjusted_sd=(TINY, TINY),
        check_sd=(check_sd, TINY),
        wander_sd=(wander_sd, TINY),
        rho_pct=rho_pct,
        alpha_pct=TINY,
    )


def laws_together(*laws: ErrorLaw) -> ErrorLaw:
    """Laws of size 1 as one batch."""
    names = ErrorLaw.__dataclass_fields__
    return ErrorLaw(**{n: np.concatenate([getattr(law, n) for law in laws]) for n in names})


@dataclass(frozen=True)
class Visit:
    """One check of a wrench: readings are (x, deviation in % of reading)."""

    day: float
    readings: Sequence[tuple[float, float]]
    kind: CheckKind = CheckKind.AS_FOUND
    jumped: bool = False
    cycles: float | None = None


@dataclass(frozen=True)
class Story:
    """All checks of a wrench, in the order in which they happened."""

    visits: Sequence[Visit]
    wrench: str = "A-1"
    direction: Direction = Direction.CLOCKWISE
    name: str = ""


def deviations_frame(stories: Iterable[Story]) -> pl.DataFrame:
    """The columns of `analysis.deviation.with_deviations` that packing reads."""
    rows = [
        (
            story.wrench,
            story.direction.value,
            f"{story.wrench}/{number:02d}",
            visit.kind.value,
            visit.day,
            visit.cycles,
            x,
            deviation,
        )
        for story in stories
        for number, visit in enumerate(story.visits)
        for x, deviation in visit.readings
    ]
    schema = {
        "wrench": pl.String,
        "direction": pl.String,
        "check": pl.String,
        "kind": pl.String,
        "day": pl.Float64,
        "cycles": pl.Float64,
        "x": pl.Float64,
        "deviation_pct": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def histories_of(*stories: Story) -> Histories:
    """Packed clockwise histories with the stories' jumps marked."""
    packed = pack_histories(deviations_frame(stories), Direction.CLOCKWISE)
    by_wrench = {story.wrench: story for story in stories}
    for row, wrench in enumerate(packed.wrenches):
        for c, visit in enumerate(by_wrench[wrench].visits):
            packed.jumped[row, c] = visit.jumped
    return packed


def readings_at(
    random: np.random.Generator, targets: Sequence[float], repeats: int, centre: float = 0.0
) -> list[tuple[float, float]]:
    """Invented readings, larger at the bottom of the range."""
    return [
        (x, float(centre + 0.2 / x + random.normal(0.0, 0.5)))
        for x in targets
        for _ in range(repeats)
    ]


def family_of(
    law: ErrorLaw,
    histories: Histories,
    basis: TimeBasis = TimeBasis.TIME,
    pace: float = float("nan"),
    tails: Tails = NORMAL,
) -> FamilyFit:
    """A family whose law is given, not learnt: K laws, each wrench filtered under each."""
    histories = with_clock(histories, basis, pace)
    filtered = filter_histories(law, histories)
    return FamilyFit(
        name="invented",
        direction=Direction.CLOCKWISE,
        source="family",
        basis=basis,
        typical_pace=pace,
        clock_sd_per_year=clock_sd_per_year(histories, basis, pace, pace_spreads(histories)),
        wrenches=histories.size,
        checks=int(histories.present.sum()),
        law=law,
        mode=law.take([0]),
        tails=tails,
        scale=reading_scale(histories),
        spreads=pace_spreads(histories),
        histories=histories,
        state=filtered.state,
        jump_evidence=np.zeros(histories.present.shape),
        outlying=(),
    )


def z_of(x: float) -> Array:
    """How gain and offset add up to a deviation at x."""
    return np.array([1.0, 1.0 / x])
