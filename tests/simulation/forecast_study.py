"""How often forecasts come true on fleets of known truth, beside three other ways to set a date.

Forecasters, each asked for the first day on which a check would pass with probability 0.95:

ours       the family's law learnt from the histories
told       the same mathematics told the family's true law: the bound for anyone who must learn it
line       a least-squares line through each target's readings, repeats taken as independent
12 months  a fixed year

A date is judged by the share of simulated futures, from the wrench's true state, in which the check
then passes. Dates on the day of the last check (already below the target) or beyond three years
(never asked of a policy) are left out of the pass rate, not out of the mean interval.

Run `python tests/simulation/forecast_study.py` for the whole table, `--short` for a taste.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from forecast_scenarios import SCENARIOS, Scenario
from scipy.special import stdtrit

from analysis.arrays import Array
from analysis.due import first_crossings
from analysis.error_law import DAYS_PER_YEAR, assumption
from analysis.family import FamilyFit, fit_family
from analysis.history import Histories
from analysis.history_filter import filter_histories
from analysis.mixture import summarise
from analysis.outlook import last_days, outlook
from analysis.pass_probability import CheckPlan, pass_probability
from analysis.simulate import (
    CYCLES_A_YEAR,
    SimulatedFleet,
    future_readings,
    share_passing,
    simulate_fleet,
)
from analysis.tails import NORMAL
from analysis.time_basis import TimeBasis, clock_sd_per_year, pace_spreads, with_clock
from analysis.vocabulary import Direction

TARGET = 0.95
HORIZON_DAYS = 3 * DAYS_PER_YEAR
_FUTURES = 25
_SEED = 20_261


def study_family(scenario: Scenario, number: int) -> pl.DataFrame:
    """One row a wrench of one family: dates, what then passed, and what was covered."""
    random = np.random.default_rng([_SEED, number, SCENARIOS.index(scenario)])
    fleet = simulate_fleet(scenario.recipe(random), random)
    recipe, histories = fleet.recipe, fleet.histories
    fit = fit_family(
        scenario.name,
        "family",
        histories,
        histories,
        assumption(scenario.mechanism),
        Direction.CLOCKWISE,
    )
    plan = CheckPlan(recipe.x, recipe.repeats)
    limits = np.full((recipe.wrenches, len(recipe.x)), recipe.mpd_pct)
    start = last_days(fit)
    horizon = np.full(recipe.wrenches, HORIZON_DAYS)
    told = _told(fit, fleet)

    def days_of(family: FamilyFit) -> Array:
        crossing, _ = first_crossings(family, plan, limits, TARGET, horizon)
        return np.minimum(crossing - start, HORIZON_DAYS)

    days = {"ours": days_of(fit), "told": days_of(told), "line": _line_days(fleet)}
    days["12 months"] = np.full(recipe.wrenches, DAYS_PER_YEAR)
    columns: dict[str, Array] = {
        "family": np.full(recipe.wrenches, number),
        "visits": np.resize(recipe.visits, recipe.wrenches),
    }
    for who, when in days.items():
        columns[f"days {who}"] = when
        asked = np.nan_to_num(when) / DAYS_PER_YEAR
        passes = share_passing(fleet, asked, random, _FUTURES)
        columns[f"passes {who}"] = np.where(np.isnan(when), np.nan, passes)

    year_on = outlook(fit, start + DAYS_PER_YEAR)
    readings = future_readings(fleet, np.ones(recipe.wrenches), random)
    inside = []
    for j, x in enumerate(recipe.x):
        told_of = summarise(year_on.reading_at(x))
        reading = readings[:, j, 0]
        inside.append((reading >= told_of.lower) & (reading <= told_of.upper))
    columns["covered"] = np.mean(inside, axis=0)
    columns["foretold"] = pass_probability(year_on, plan, limits)
    columns["came"] = (np.abs(readings) <= recipe.mpd_pct).all(axis=(1, 2)).astype(float)
    columns["jump found"] = fit.histories.jumped.any(axis=1).astype(float)
    return pl.DataFrame(columns)


def _told(fit: FamilyFit, fleet: SimulatedFleet) -> FamilyFit:
    """The forecaster that knows the truth: law, basis, and how often knocks come."""
    recipe = fleet.recipe
    law = replace(
        recipe.law,
        knocks_per_year=np.array([recipe.knocks_per_year]),
        knock_ratio=np.array([recipe.knock_sd[0] / recipe.law.level_sd[0, 0]]),
    )
    basis = TimeBasis.USE if recipe.pace_sd else TimeBasis.TIME
    histories = with_clock(fleet.histories, basis, CYCLES_A_YEAR)
    return replace(
        fit,
        law=law,
        mode=law,
        tails=NORMAL,
        basis=basis,
        typical_pace=CYCLES_A_YEAR,
        clock_sd_per_year=clock_sd_per_year(
            histories, basis, CYCLES_A_YEAR, pace_spreads(histories)
        ),
        histories=histories,
        state=filter_histories(law, histories).state,
    )


def _line_days(fleet: SimulatedFleet) -> Array:
    """Days until the 95 % prediction interval of a line at some target leaves the limits.

    A line a target through all readings since the last adjustment as if each were independent;
    with fewer than two checks there is no line, and the answer is nan.
    """
    h, recipe = fleet.histories, fleet.recipe
    ahead = np.arange(0.0, HORIZON_DAYS, 10.0)
    answer = np.full(h.size, np.nan)
    for i in range(h.size):
        first = int(np.flatnonzero(np.r_[True, h.adjusted[i, 1:]])[-1])
        soonest = np.inf
        for j in range(len(recipe.x)):
            rows = np.flatnonzero(h.present[i] & (h.count[i, :, j] > 0))
            rows = rows[rows >= first]
            if len(rows) < 2 or np.ptp(h.year[i, rows]) == 0:
                continue
            soonest = min(soonest, _line_crossing(h, i, j, rows, ahead, recipe.mpd_pct))
        if np.isfinite(soonest):
            answer[i] = soonest
    return answer


def _line_crossing(
    h: Histories, i: int, j: int, rows: Array, ahead: Array, mpd_pct: float
) -> float:
    n = h.count[i, rows, j]
    t, y = h.year[i, rows], h.mean_pct[i, rows, j]
    centre = np.average(t, weights=n)
    sxx = (n * (t - centre) ** 2).sum()
    slope = (n * (t - centre) * y).sum() / sxx
    level = np.average(y, weights=n)
    residual = (n * (y - level - slope * (t - centre)) ** 2).sum() + h.squares[i, rows, j].sum()
    freedom = n.sum() - 2
    s = np.sqrt(residual / freedom)
    then = h.year[i, -1] + ahead / DAYS_PER_YEAR - centre
    half = stdtrit(freedom, 0.975) * s * np.sqrt(1 + 1 / n.sum() + then**2 / sxx)
    out = np.abs(level + slope * then) + half > mpd_pct
    return float(ahead[out.argmax()]) if out.any() else HORIZON_DAYS


@dataclass(frozen=True)
class Row:
    """What the table says of a scenario or of a part of it."""

    scenario: str
    part: str
    wrenches: int
    passes: float
    passes_error: float
    passes_told: float
    passes_line: float
    passes_year: float
    interval_days: float
    ratio: float
    covered: float
    brier: float
    jumps: float


def row_of(scenario: str, part: str, frame: pl.DataFrame) -> Row:
    """Summarise wrenches; the Monte Carlo error is between families, which share a law."""

    def inner(who: str) -> pl.DataFrame:
        days = pl.col(f"days {who}")
        return frame.filter((days > 0) & (days < HORIZON_DAYS))

    def passing(who: str) -> float:
        return float(inner(who).select(pl.col(f"passes {who}").drop_nans().mean()).item() or 0.0)

    by_family = inner("ours").group_by("family").agg(pl.col("passes ours").mean())["passes ours"]
    return Row(
        scenario=scenario,
        part=part,
        wrenches=frame.height,
        passes=passing("ours"),
        passes_error=float(by_family.std() or 0.0) / max(1, len(by_family)) ** 0.5,
        passes_told=passing("told"),
        passes_line=passing("line"),
        passes_year=float(frame["passes 12 months"].mean()),
        interval_days=float(frame["days ours"].mean()),
        ratio=float(frame["days ours"].mean() / frame["days told"].mean()),
        covered=float(frame["covered"].mean()),
        brier=float(((frame["foretold"] - frame["came"]) ** 2).mean()),
        jumps=float(frame["jump found"].mean()),
    )


def rows_of(scenario: Scenario, frame: pl.DataFrame) -> list[Row]:
    """The whole scenario, then each length of history."""
    rows = [row_of(scenario.name, "all", frame)]
    for visits in sorted(set(scenario.visits)):
        part = "card only" if visits == 1 else f"{visits} checks"
        rows.append(row_of(scenario.name, part, frame.filter(pl.col("visits") == visits)))
    return rows


def run(families: int | None = None, workers: int = 2) -> dict[str, pl.DataFrame]:
    """Frames of wrenches by scenario; `families` cuts every scenario short."""
    jobs = [
        (scenario, number)
        for scenario in SCENARIOS
        for number in range(min(scenario.families, families or scenario.families))
    ]
    with ProcessPoolExecutor(workers) as pool:
        frames = list(pool.map(study_family, *zip(*jobs, strict=True)))
    answer: dict[str, pl.DataFrame] = {}
    for scenario in SCENARIOS:
        own = [f for (s, _), f in zip(jobs, frames, strict=True) if s is scenario]
        answer[scenario.name] = pl.concat(own)
    return answer


def reliability_curve(frame: pl.DataFrame) -> pl.DataFrame:
    """Foretold pass probability a year on against what came, in bands."""
    cuts = np.array([0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98])
    return (
        frame.with_columns(pl.Series("band", np.searchsorted(cuts, frame["foretold"].to_numpy())))
        .group_by("band")
        .agg(pl.len().alias("wrenches"), pl.col("foretold").mean(), pl.col("came").mean())
        .sort("foretold")
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="three families a scenario")
    chosen = parser.parse_args()
    frames = run(families=3 if chosen.short else None)
    print(  # noqa: T201 - the table is what this command is for
        "| scenario | part | wrenches | passes at due | told | line | 12 months | interval, d "
        "| of told | 95 % covers | Brier | jump found |\n"
        "|---|---|---|---|---|---|---|---|---|---|---|---|"
    )
    for scenario in SCENARIOS:
        for r in rows_of(scenario, frames[scenario.name]):
            print(  # noqa: T201
                f"| {r.scenario if r.part == 'all' else ''} | {r.part} | {r.wrenches} "
                f"| {r.passes:.3f} ± {r.passes_error:.3f} | {r.passes_told:.3f} "
                f"| {r.passes_line:.3f} | {r.passes_year:.3f} | {r.interval_days:.0f} "
                f"| {r.ratio:.3f} | {r.covered:.3f} | {r.brier:.3f} | {r.jumps:.3f} |"
            )
    print("\n| foretold | came | wrenches |\n|---|---|---|")  # noqa: T201
    for band in reliability_curve(pl.concat(frames.values())).iter_rows(named=True):
        print(f"| {band['foretold']:.3f} | {band['came']:.3f} | {band['wrenches']} |")  # noqa: T201


if __name__ == "__main__":
    main()
