"""What the checks of a wrench say about it by now: found out of tolerance, or not.

A check passes when every reading is within its MPD (ISO 6789-1:2017, from memory), the tester taken
as exact. One that fails, of whatever kind, finds the wrench out; it stays out until it passes a
check as left. Only the order in which checks were performed counts, not that of their arrival.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import polars as pl

from analysis.deviation import deviation_pct, permissible_pct, within
from analysis.vocabulary import CheckKind, Direction


@dataclass(frozen=True, slots=True)
class Standing:
    """What the checks of a wrench say in one direction.

    found_out_by  the check that found it out, the first that failed since it last passed a check as
                  left; None: it is not out
    card_only     every reading comes from the card
    """

    found_out_by: str | None
    card_only: bool

    @property
    def found_out(self) -> bool:
        return self.found_out_by is not None


UNKNOWN: Final = Standing(found_out_by=None, card_only=False)  # without a check


def check_results(deviations: pl.DataFrame) -> pl.DataFrame:
    """One row a check, for each wrench and direction in the order in which checks count.

    deviations  frame of `analysis.deviation.with_deviations`

    Columns wrench, direction, check, kind, day, card, and passed (true where the wrench states no
    tolerance). Of checks at one instant, those as left count last, and of these one that failed.
    """
    inside = within(pl.col("deviation_pct"), pl.col("mpd_pct")).fill_null(value=True)
    return (
        deviations.group_by("wrench", "direction", "check")
        .agg(
            pl.col("kind", "day", "card").first(),
            inside.all().alias("passed"),
        )
        .sort(
            "wrench",
            "direction",
            "day",
            pl.col("kind") == CheckKind.AS_LEFT.value,
            pl.col("passed").not_(),
            "check",
        )
    )


def standings(deviations: pl.DataFrame) -> dict[tuple[str, Direction], Standing]:
    """Standing of every wrench in every direction in which it has a reading.

    deviations  frame of `analysis.deviation.with_deviations`
    """
    results: dict[tuple[str, Direction], list[tuple[str, str, bool]]] = {}
    own_checks: set[tuple[str, Direction]] = set()
    for wrench, way, check, kind, _, card, passed in check_results(deviations).iter_rows():
        key = wrench, Direction(way)
        results.setdefault(key, []).append((check, kind, passed))
        if not card:
            own_checks.add(key)
    return {
        key: Standing(found_out_by(checks), card_only=key not in own_checks)
        for key, checks in results.items()
    }


def found_out_by(checks: Iterable[tuple[str, str, bool]], by: str | None = None) -> str | None:
    """The check that found a wrench out, of checks (id, kind, passed) in the order in which they
    count; None: it is not out.

    by   what an earlier check had found, where these are the later ones
    """
    for check, kind, passed in checks:
        if not passed:
            by = by or check
        elif kind == CheckKind.AS_LEFT.value:
            by = None
    return by


def found_out_by_readings(
    readings: Iterable[tuple[str, str, float, float, float]],
    mpd_pct: float | None,
    of_full_scale: bool,
    full_scale_nm: float,
    *,
    by: str | None = None,
) -> str | None:
    """What `standings` finds in one direction of one wrench, by plain arithmetic: of a few hundred
    readings it comes many times sooner.

    readings  check, kind, day, indicated and reference torque in N·m, in any order
    mpd_pct   ± %, of reading or of full scale; None: the wrench states no tolerance
    by        what earlier checks had found, where all of these are later
    """
    checks: dict[str, tuple[float, str, bool]] = {}
    for check, kind, day, indicated_nm, reference_nm in readings:
        inside = mpd_pct is None or within(
            deviation_pct(indicated_nm, reference_nm),
            permissible_pct(mpd_pct, of_full_scale, reference_nm / full_scale_nm),
        )
        earlier = checks.get(check)
        checks[check] = day, kind, inside and (earlier is None or earlier[2])
    in_order = sorted(
        (day, kind == CheckKind.AS_LEFT.value, not passed, check, kind)
        for check, (day, kind, passed) in checks.items()
    )
    passed = ((check, kind, not failed) for _, _, failed, check, kind in in_order)
    return found_out_by(passed, by)


def standing(deviations: pl.DataFrame, wrench: str, direction: Direction) -> Standing:
    """Standing of one wrench in one direction; UNKNOWN without a reading."""
    own = deviations.filter((pl.col("wrench") == wrench) & (pl.col("direction") == direction.value))
    return standings(own).get((wrench, direction), UNKNOWN)
