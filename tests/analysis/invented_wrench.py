"""Frames of an invented wrench, for tests."""

from collections.abc import Iterable

import numpy as np
import polars as pl

from analysis.deviation import with_deviations
from analysis.evidence import READINGS, WRENCHES

FULL_SCALE_NM = 100.0


def wrench_frame(**changes) -> pl.DataFrame:
    """One wrench of 100 N·m full scale, ±4 % clockwise, no stated tolerance the other way."""
    row = {
        "wrench": "W-1",
        "mechanism": "spring",
        "lowest_nm": 10.0,
        "full_scale_nm": FULL_SCALE_NM,
        "mpd_cw_pct": 4.0,
        "mpd_ccw_pct": None,
        "mpd_cw_of_full_scale": False,
        "mpd_ccw_of_full_scale": None,
        "resolution_nm": None,
    }
    return pl.DataFrame([row | changes], schema=WRENCHES)


def check_rows(
    check: str,
    points: dict[float, Iterable[float]],
    *,
    day: float = 0.0,
    kind: str = "as_found",
    direction: str = "clockwise",
    unit_nm: float = 1.0,
) -> list[dict]:
    """Rows of one check: for each target (in units of `unit_nm`) its deviations in % of reading."""
    return [
        {
            "wrench": "W-1",
            "direction": direction,
            "check": check,
            "kind": kind,
            "day": day,
            "cycles": None,
            "card": False,
            "target_nm": target * unit_nm,
            "indicated_nm": target * unit_nm,
            "reference_nm": target * unit_nm / (1.0 + deviation / 100.0),
        }
        for target, deviations in points.items()
        for deviation in deviations
    ]


def history(*checks: list[dict], **changes) -> pl.DataFrame:
    """The checks with their deviations; `changes` to the wrench's row."""
    rows = [row for check in checks for row in check]
    return with_deviations(wrench_frame(**changes), pl.DataFrame(rows, schema=READINGS))


def random_checks(
    rng: np.random.Generator,
    *,
    checks: int,
    targets: Iterable[float] = (20.0, 60.0, 100.0),
    readings: int = 5,
    mean: float = 0.5,
    per_check: float = 0.0,
    check_sd: float = 0.3,
    reading_sd: float = 0.4,
    kinds: dict[int, str] | None = None,
    level_after: dict[int, float] | None = None,
) -> list[list[dict]]:
    """Checks a year apart with normal effects of check and reading, a trend, and adjustments."""
    level, made = mean, []
    for number in range(checks):
        level = (level_after or {}).get(number, level)
        effect = level + per_check * number + rng.normal(0.0, check_sd)
        points = {t: effect + rng.normal(0.0, reading_sd, readings) for t in targets}
        kind = (kinds or {}).get(number, "as_found")
        made.append(check_rows(f"C{number:02}", points, day=365.0 * number, kind=kind))
    return made
