"""Simulated fleets and frames of known truth for the tests of the range study."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.bands import Bands
from analysis.error_law import ErrorLaw
from analysis.evidence import CIRCUMSTANCES, READINGS, WRENCHES
from analysis.range_cells import RangeCells, cells_of
from analysis.simulate import Recipe, simulate_fleet
from analysis.vocabulary import Direction, Mechanism

BANDS = Bands()


def a_law(
    *,
    rho: float = 0.3,
    alpha: float = 0.0,
    level: tuple[float, float] = (0.5, 0.0),
    rate: tuple[float, float] = (0.3, 0.0),
    check: tuple[float, float] = (0.2, 0.0),
    wander: tuple[float, float] = (0.2, 0.0),
    level_mean: tuple[float, float] = (0.0, 0.0),
    rate_mean: tuple[float, float] = (0.0, 0.0),
) -> ErrorLaw:
    """One law without events; every 1/x term is zero unless given."""

    def one(pair: tuple[float, float]) -> np.ndarray:
        return np.array([pair])

    return ErrorLaw(
        level_mean=one(level_mean),
        rate_mean=one(rate_mean),
        adjusted_mean=one((0.0, 0.0)),
        level_sd=one(level),
        rate_sd=one(rate),
        adjusted_sd=one(level),
        check_sd=one(check),
        wander_sd=one(wander),
        rho_pct=np.array([rho]),
        alpha_pct=np.array([alpha]),
        knocks_per_year=np.zeros(1),
        knock_ratio=np.ones(1),
        stray_share=np.zeros(1),
    )


def simulated(law: ErrorLaw, wrenches: int, visits: int = 4, seed: int = 1) -> RangeCells:
    """Cells of a fleet that nobody adjusts."""
    recipe = Recipe(law=law, wrenches=wrenches, visits=(visits,), mpd_pct=4.0, adjust_beyond=1e9)
    random = np.random.Generator(np.random.PCG64(seed))
    return cells_of(simulate_fleet(recipe, random).histories)


def bands_at(cells: RangeCells) -> np.ndarray:
    return np.array([BANDS.of(x).value for x in cells.x])


@dataclass(frozen=True)
class Bench:
    """Readings in N·m of wrenches of one mechanism, as a tester would show them.

    friction_nm   SD, alike at every torque
    share         SD as a share of torque
    step_nm       in which the tester shows
    operators     taken in turn, check by check; each multiplies the friction
    divisions_nm  of the wrenches, in turn
    set_anew      whether each pull is set anew anywhere within a division
    """

    mechanism: Mechanism = Mechanism.SPRING
    wrenches: int = 10
    checks: int = 3
    full_scale_nm: float = 100.0
    friction_nm: float = 0.0
    share: float = 0.003
    gain_share: float = 0.004
    step_nm: float = 0.0
    operators: Sequence[tuple[str, float]] = (("ada", 1.0),)
    divisions_nm: Sequence[float] = (0.5,)
    set_anew: bool = False
    targets: Sequence[float] = (0.2, 0.6, 1.0)
    repeats: int = 5
    seed: int = 1
    prefix: str = "W"
    mpd_pct: float = 4.0
    direction: Direction = Direction.CLOCKWISE


def frames(*benches: Bench) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """WRENCHES, READINGS and CIRCUMSTANCES of several benches together."""
    wrenches, readings, checks = [], [], []
    for bench in benches:
        random = np.random.Generator(np.random.PCG64(bench.seed))
        for w in range(bench.wrenches):
            serial = f"{bench.prefix}-{w}"
            division = bench.divisions_nm[w % len(bench.divisions_nm)]
            wrenches.append(
                (
                    serial, bench.mechanism.value, 0.1 * bench.full_scale_nm, bench.full_scale_nm,
                    bench.mpd_pct, bench.mpd_pct, False, False, division,
                )
            )  # fmt: skip
            gain = bench.gain_share * random.standard_normal()
            for c in range(bench.checks):
                check = f"{serial}/{c}"
                operator, unsteady = bench.operators[(w + c) % len(bench.operators)]
                checks.append((check, operator or None, "TB-1", bench.step_nm or None))
                for x in bench.targets:
                    target = x * bench.full_scale_nm
                    noise = random.standard_normal((2, bench.repeats))
                    pulled = target * (1 - gain + bench.share * noise[0])
                    pulled += unsteady * bench.friction_nm * noise[1]
                    if bench.set_anew:
                        pulled += division * random.uniform(-0.5, 0.5, bench.repeats)
                    if bench.step_nm:
                        pulled = np.round(pulled / bench.step_nm) * bench.step_nm
                    readings += [
                        (
                            serial, bench.direction.value, check, "as_found", 20000.0 + 180 * c,
                            None, False, target, target, float(value),
                        )
                        for value in pulled
                    ]  # fmt: skip
    return (
        pl.DataFrame(wrenches, schema=WRENCHES, orient="row"),
        pl.DataFrame(readings, schema=READINGS, orient="row"),
        pl.DataFrame(checks, schema=CIRCUMSTANCES, orient="row"),
    )
