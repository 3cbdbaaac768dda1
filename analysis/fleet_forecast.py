"""Forecasts for a fleet of any size, part by part, each part by itself.

    laws = learn_fleet_laws(joined(teachers_of(part) for part in parts))      once, small
    for frame in forecasts(laws, parts, question): ...                       each part on its own

A part holds all readings of its wrenches. Under given laws no wrench's answer depends on another
wrench, so parts may be worked out in any order, on any machine, and put together: the rows are
those of the whole. What is held in memory is one part.

The answers are those of `analysis.due`, `risk`, `drift` and `capability`; here they are worked out
for all wrenches of a family together. Due dates agree within half a day
(`tests/analysis/test_fleet_forecast.py`).
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.bands import Bands
from analysis.crossing import crossing_days
from analysis.deviation import with_deviations
from analysis.due import Caps, months_caps
from analysis.error_law import DAYS_PER_YEAR
from analysis.family import FamilyFit, FamilyLaws, place_members
from analysis.fleet_capability import fleet_capability
from analysis.fleet_laws import FleetLaws
from analysis.history import Histories, pack_histories
from analysis.kinds import size_column
from analysis.mixture import Mixture, summarise
from analysis.outlook import last_days, outlook, states_on
from analysis.pass_probability import CheckPlan
from analysis.pass_table import PassTable
from analysis.risk import pull_risk_tails
from analysis.scatter_law import ScatterLaw, scatter_law
from analysis.shop import ShopRules
from analysis.time_basis import clock_ahead
from analysis.use_pace import cycles_per_day
from analysis.use_since import Work, use_since
from analysis.vocabulary import Band, Direction, Mechanism
from analysis.wrench_range import wrench_ranges

_CELLS_AT_ONCE: Final = 8_000  # laws or trial jumps x wrenches placed together
_MOMENT_YEARS: Final = 0.01

FORECASTS: Final = pl.Schema(
    {
        "wrench": pl.String(),
        "direction": pl.String(),
        "family": pl.String(),
        "source": pl.String(),  # whose readings taught the laws: family, mechanism, defaults
        "checks": pl.Int64(),
        "readings": pl.Int64(),
        "last_check_day": pl.Float64(),
        "due_day": pl.Float64(),
        "bound_by": pl.String(),  # analysis.due.Bound
        "reliability_day": pl.Float64(),  # null: not before the cap in months
        "pass_probability": pl.Float64(),  # of a check on the day asked about
        "plan_x": pl.List(pl.Float64()),  # targets of the plan as shares of full scale
        "pull_risk": pl.List(pl.Float64()),  # at each of them, on the day asked about
        "deviation_pct": pl.List(pl.Float64()),  # expected of a pull there, % of reading
        "gain_rate": pl.Float64(),  # % of reading a year, with 95 % interval
        "gain_rate_low": pl.Float64(),
        "gain_rate_high": pl.Float64(),
        "offset_rate": pl.Float64(),  # % of full scale a year, with 95 % interval
        "offset_rate_low": pl.Float64(),
        "offset_rate_high": pl.Float64(),
        "jumps": pl.Int64(),  # found in its history
        "rho_pct": pl.Float64(),  # scatter of its family, posterior medians
        "alpha_pct": pl.Float64(),
        "ppk_low": pl.Float64(),  # since the last adjustment; null: too few data in the band
        "ppk_mid": pl.Float64(),
        "ppk_upper": pl.Float64(),
    }
)


@dataclass(frozen=True, slots=True)
class FleetQuestion:
    """What is asked of every wrench.

    rules      the shop's
    bands      for capability
    as_of_day  of pass probability, pull risk and drift; UTC days
    work       recorded since the last checks, where the caps in cycles are to count it; a wrench
               that is left out goes on at the pace that its counter shows
    """

    rules: ShopRules
    bands: Bands
    as_of_day: float
    work: Mapping[tuple[str, Direction], Work] | None = None


def forecasts(
    laws: FleetLaws,
    parts: Iterable[tuple[pl.DataFrame, pl.DataFrame]],
    question: FleetQuestion,
) -> Iterator[pl.DataFrame]:
    """Forecasts of one part after the other: frames of schema FORECASTS.

    parts  wrenches and readings, frames of `analysis.evidence`, all readings of its wrenches in one
    """
    for wrenches, readings in parts:
        yield forecast_part(laws, wrenches, with_deviations(wrenches, readings), question)


def forecast_part(
    laws: FleetLaws, wrenches: pl.DataFrame, deviations: pl.DataFrame, question: FleetQuestion
) -> pl.DataFrame:
    """Forecasts of every wrench and direction that has a stated tolerance and a reading.

    wrenches    frame of `analysis.evidence.WRENCHES`
    deviations  frame of `analysis.deviation.with_deviations`

    Returns the columns FORECASTS in order of wrench and direction.

    Raises ValueError for a wrench of whose kind no laws were learnt.
    """
    known = deviations.filter(pl.col("mpd_pct").is_not_null())
    pace = cycles_per_day(deviations)
    found = [
        _answers(group, question, pace)
        for direction in Direction
        for group in _groups(laws, wrenches, known, direction, question.rules)
    ]
    return (
        pl.concat([pl.DataFrame(schema=_OF_LAWS), *found])
        .join(_ppk(known, question.bands), on=["wrench", "direction"], how="left")
        .select(FORECASTS.names())
        .sort("wrench", "direction")
    )


_OF_LAWS: Final = pl.DataFrame(schema=FORECASTS).drop("ppk_low", "ppk_mid", "ppk_upper").schema


@dataclass(frozen=True, slots=True)
class _Group:
    """Members of one family that are checked alike and held to the same limits.

    mpd_pct  (J,) at the plan's targets
    """

    laws: FamilyLaws
    scatter: ScatterLaw
    members: Histories
    plan: CheckPlan
    mpd_pct: Array


def _groups(
    laws: FleetLaws,
    wrenches: pl.DataFrame,
    deviations: pl.DataFrame,
    direction: Direction,
    rules: ShopRules,
) -> Iterator[_Group]:
    packed = pack_histories(deviations, direction)
    short = "cw" if direction is Direction.CLOCKWISE else "ccw"
    alike = (
        "mechanism", "size", "lowest_share", f"mpd_{short}_pct", f"mpd_{short}_of_full_scale",
    )  # fmt: skip
    groups = (
        pl.DataFrame({"wrench": packed.wrenches}, schema={"wrench": pl.String})
        .with_row_index("row")
        .join(wrenches, on="wrench", how="left", maintain_order="left")
        .with_columns(
            size_column(), (pl.col("lowest_nm") / pl.col("full_scale_nm")).alias("lowest_share")
        )
        .group_by(alike, maintain_order=True)
        .agg(pl.col("wrench").first(), "row")
    )
    for mechanism, size, first, rows in groups.select("mechanism", "size", "wrench", "row").rows():
        family = laws.of((Mechanism(mechanism), size), direction)
        if family is None:
            raise ValueError(f"no laws were learnt for the kind of wrench {first}")
        marked = wrench_ranges(wrenches.filter(pl.col("wrench") == first))[first]
        plan = marked.plan(rules.plan_shares, rules.plan_repeats)
        yield _Group(
            laws=laws.in_short(family),
            scatter=scatter_law(family),
            members=packed.take(rows),
            plan=plan,
            mpd_pct=marked.mpd_pct(direction, np.asarray(plan.x)),
        )


def _answers(group: _Group, question: FleetQuestion, pace: Mapping[str, float]) -> pl.DataFrame:
    table = PassTable.of(group.laws.law, group.laws.tails, group.plan, group.mpd_pct)
    at_once = max(1, _CELLS_AT_ONCE // max(group.laws.law.size, group.members.present.shape[1]))
    return pl.concat(
        [
            _of_members(place_members(group.laws, part), group, table, question, pace)
            for _, part in group.members.by_length(at_once)
        ]
    )


def _of_members(
    family: FamilyFit,
    group: _Group,
    table: PassTable,
    question: FleetQuestion,
    pace: Mapping[str, float],
) -> pl.DataFrame:
    history, rules, day = family.histories, question.rules, question.as_of_day
    start = last_days(family)
    months_day = months_caps(start, rules.due)
    crossing = crossing_days(family, table, rules.due.reliability_target, months_day - start)
    caps = Caps(
        months_day=months_day,
        cycles_day=_cycles_days(family, question, pace),
        floor_day=start + rules.due.floor_days,
    )
    due_day, bound_by = caps.bounded(crossing)
    view = outlook(family, day)
    risk = np.empty((history.size, len(group.plan.x)))
    expected = np.empty_like(risk)
    for j, (x, limit) in enumerate(zip(group.plan.x, group.mpd_pct, strict=True)):
        low, high = pull_risk_tails(view, x, limit)
        risk[:, j] = low + high
        expected[:, j] = (view.mean @ np.array([1.0, 1.0 / x])).mean(axis=0)
    n = history.size
    return (
        pl.DataFrame(
            {
                "wrench": history.wrenches,
                "direction": [family.direction.value] * n,
                "family": [family.name] * n,
                "source": [family.source] * n,
                "checks": history.present.sum(axis=1),
                "readings": np.isfinite(history.residual_pct).sum(axis=(1, 2, 3)),
                "last_check_day": start,
                "due_day": due_day,
                "bound_by": [bound.value for bound in bound_by],
                "reliability_day": np.where(np.isfinite(crossing), crossing, np.nan),
                "pass_probability": table.chance(view),
                "plan_x": np.tile(group.plan.x, (n, 1)),
                "pull_risk": risk,
                "deviation_pct": expected,
                **_rates(family, day),
                "jumps": history.jumped.sum(axis=1),
                "rho_pct": np.full(n, group.scatter.rho_pct.sd),
                "alpha_pct": np.full(n, group.scatter.alpha_pct.sd),
            }
        )
        .with_columns(pl.col("reliability_day").fill_nan(None))
        .cast(_OF_LAWS)
    )


def _cycles_days(family: FamilyFit, question: FleetQuestion, pace: Mapping[str, float]) -> Array:
    """(N,) days of the cap in cycles; infinity: not known when."""
    start, names = last_days(family), family.histories.wrenches
    cap = question.rules.due.cap_cycles
    paces = np.array([pace.get(name, 0.0) for name in names])
    day = np.where(paces > 0.0, start + cap / np.where(paces > 0.0, paces, 1.0), np.inf)
    for row, name in enumerate(names) if question.work else ():
        work = (question.work or {}).get((name, family.direction))
        if work is not None:
            day[row] = use_since(work, pace.get(name)).cap_day(cap)
    return day


def _rates(family: FamilyFit, day: float) -> dict[str, Array]:
    """Drift per calendar year of gain and offset with 95 % intervals, (N,) each."""
    years = np.maximum(day - last_days(family), 0.0) / DAYS_PER_YEAR
    before, after = (
        clock_ahead(family.histories, family.basis, family.typical_pace, years + moment)
        for moment in (0.0, _MOMENT_YEARS)
    )
    speed = (after - before) / _MOMENT_YEARS
    state = states_on(family, day)
    columns = {}
    for i, part in enumerate(("gain", "offset")):
        known = summarise(Mixture.of_equals(speed * state.rate[i], speed**2 * state.rate_cov[i, i]))
        columns[f"{part}_rate"] = known.mean
        columns[f"{part}_rate_low"], columns[f"{part}_rate_high"] = known.lower, known.upper
    return columns


def _ppk(deviations: pl.DataFrame, bands: Bands) -> pl.DataFrame:
    """wrench, direction, and a column of Ppk for each band."""
    found = fleet_capability(deviations, bands)
    return found.group_by("wrench", "direction").agg(
        pl.col("ppk").filter(pl.col("band") == band.value).first().alias(f"ppk_{band.value}")
        for band in Band
    )
