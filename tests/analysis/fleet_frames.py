"""Frames of wrenches and readings of simulated fleets, as they would come from a store."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.error_law import ErrorLaw, assumption, law_from_coordinates
from analysis.evidence import READINGS, WRENCHES
from analysis.simulate import Recipe, SimulatedFleet, simulate_fleet
from analysis.vocabulary import CheckKind, Direction, Mechanism

FIRST_DAY = 18_000.0


@dataclass(frozen=True)
class Herd:
    """Wrenches of one kind, checked in both directions or one.

    visits  as in `Recipe`; mpd_pct of reading, alike in both directions
    counted whether its counter was read at each check
    """

    mechanism: Mechanism
    full_scale_nm: float
    wrenches: int
    visits: tuple[int, ...] = (8,)
    directions: tuple[Direction, ...] = tuple(Direction)
    x: tuple[float, ...] = (0.2, 0.6, 1.0)
    repeats: int = 5
    mpd_pct: float = 4.0
    prefix: str = "W"
    counted: bool = False


def usual_law(mechanism: Mechanism) -> ErrorLaw:
    """The law at the centre of what is assumed of a mechanism."""
    return law_from_coordinates(assumption(mechanism).centre[None])


def frames(*herds: Herd, seed: int = 1) -> tuple[pl.DataFrame, pl.DataFrame]:
    """WRENCHES and READINGS of several herds; readings of a wrench stand together."""
    random = np.random.Generator(np.random.PCG64(seed))
    wrenches, readings = [], []
    for herd in herds:
        law = usual_law(herd.mechanism)
        recipe = Recipe(
            law=law,
            wrenches=herd.wrenches,
            visits=herd.visits,
            mpd_pct=herd.mpd_pct,
            x=herd.x,
            repeats=herd.repeats,
            uneven=0.5,
            knocks_per_year=float(law.knocks_per_year[0]),
            knock_sd=(float(law.knock_sd[0, 0]), float(law.knock_sd[0, 1])),
        )
        names = pl.Series([f"{herd.prefix}-{i}" for i in range(herd.wrenches)])
        full, mpd = herd.full_scale_nm, herd.mpd_pct
        wrenches.append(
            pl.DataFrame({"wrench": names}).with_columns(
                pl.lit(herd.mechanism.value).alias("mechanism"),
                pl.lit(min(herd.x) * full).alias("lowest_nm"),
                pl.lit(full).alias("full_scale_nm"),
                pl.lit(mpd).alias("mpd_cw_pct"),
                pl.lit(mpd).alias("mpd_ccw_pct"),
                pl.lit(False).alias("mpd_cw_of_full_scale"),
                pl.lit(False).alias("mpd_ccw_of_full_scale"),
                pl.lit(None).alias("resolution_nm"),
            )
        )
        readings += [
            _readings(simulate_fleet(recipe, random), names, herd, direction)
            for direction in herd.directions
        ]
    frame = pl.concat(readings).sort("wrench", maintain_order=True)
    return pl.concat(wrenches).cast(dict(WRENCHES)), frame.select(READINGS.names())


def _readings(
    fleet: SimulatedFleet, names: pl.Series, herd: Herd, direction: Direction
) -> pl.DataFrame:
    h = fleet.histories
    i, c, j, r = np.nonzero(~np.isnan(h.residual_pct))
    deviation = h.mean_pct[i, c, j] + h.residual_pct[i, c, j, r]
    target = np.asarray(fleet.recipe.x)[j] * herd.full_scale_nm
    kinds = np.array([CheckKind.AS_FOUND.value, CheckKind.AS_LEFT.value])
    return pl.DataFrame(
        {
            "wrench": names.gather(i),
            "kind": kinds[h.adjusted[i, c].astype(np.intp)],
            "day": FIRST_DAY + h.day[i, c],
            "target_nm": target,
            "indicated_nm": target,
            "reference_nm": target / (1 + deviation / 100),
            "c": c,
            "cycles": h.cycles[i, c] if herd.counted else np.full(len(c), np.nan),
        }
    ).with_columns(
        pl.lit(direction.value).alias("direction"),
        pl.format("{}/{}/{}", "wrench", pl.lit(direction.value), "c").alias("check"),
        pl.col("cycles").fill_nan(None),
        pl.lit(False).alias("card"),
    )
