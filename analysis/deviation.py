"""Deviation of a torque wrench from the tester, its sign in words, and the limit it is held to.

    a_s = (X_a - X_r) / X_r * 100                     % of reading

    X_a  torque set on the wrench or shown by it (indicated)
    X_r  torque measured by the tester (reference)

Positive: the wrench delivers less than it says. Every formula here works alike on a float, an
array and a polars expression, so that a frame and a single reading cannot disagree.

Source: ISO 6789-1:2017 and ISO 6789-2:2017, relative measurement error (formula from memory).
"""

from typing import Any, Final, Literal, TypeVar, overload

import polars as pl

from analysis.arrays import Array, Flags
from analysis.vocabulary import Direction

Quantity = TypeVar("Quantity", float, Array, pl.Expr)

# A reading exactly at its limit passes. Decimal torques become binary, are multiplied by a unit's
# factor and divided: a handful of roundings of 1.1e-16 each, so 20.8 against 20 comes out as
# 4.000000000000004 %. The noise stays below 1e-13 % for deviations up to 100 %; no tester resolves
# 1e-9 %. Between the two there is room to tell noise from a real excess.
ROUNDING_PCT: Final = 1e-9


def deviation_pct(indicated_nm: Quantity, reference_nm: Quantity) -> Quantity:
    """Deviation in % of reading, positive where the wrench delivers less than it says.

    indicated_nm  set on or shown by the wrench, N·m (any torque unit common to both will do)
    reference_nm  measured by the tester, same shape, > 0
    """
    return (indicated_nm - reference_nm) / reference_nm * 100.0


def of_setting_pct(indicated_nm: Quantity, reference_nm: Quantity) -> Quantity:
    """How far the delivered torque lies from what the wrench says, in % of the setting.

    The form that calibration cards of the trade often carry (common practice, no source). Its sign
    is the other way round: negative where the wrench delivers less than it says.

    indicated_nm  set on or shown by the wrench, N·m, > 0
    reference_nm  measured by the tester, same shape
    """
    return (reference_nm - indicated_nm) / indicated_nm * 100.0


def delivers(deviation_pct: float) -> Literal["low", "high", "true"]:
    """What the sign of a deviation (% of reading) means at the fastener.

    low: less torque than the wrench says; high: more; true: no difference beyond rounding noise.
    """
    if abs(deviation_pct) <= ROUNDING_PCT:
        return "true"
    return "low" if deviation_pct > 0 else "high"


def permissible_pct(mpd_pct: Quantity, of_full_scale: bool, x: Quantity) -> Quantity:
    """Maximum permissible deviation at x, in ± % of reading.

    mpd_pct        ± %, of reading or of full scale
    of_full_scale  what `mpd_pct` is a percentage of
    x              share of full scale of the torque that the deviation is a percentage of, > 0.
                   To judge a reading that is reference / full scale, and the decision is then
                   exactly |X_a - X_r| <= mpd * full scale; to look ahead, target / full scale.
    """
    return mpd_pct / x if of_full_scale else mpd_pct + 0.0 * x


@overload
def within(deviation_pct: float, mpd_pct: float) -> bool: ...
@overload
def within(deviation_pct: Array, mpd_pct: Array) -> Flags: ...
@overload
def within(deviation_pct: pl.Expr, mpd_pct: pl.Expr) -> pl.Expr: ...
def within(deviation_pct: Any, mpd_pct: Any) -> bool | Flags | pl.Expr:
    """Whether a deviation lies inside ± MPD, both in % of reading; a deviation at the limit does.

    Rounding noise up to ROUNDING_PCT is not counted against the wrench.
    """
    inside: bool | Flags | pl.Expr = abs(deviation_pct) <= mpd_pct + ROUNDING_PCT
    return inside


def with_deviations(wrenches: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """The readings in their order, each with its wrench's columns and three more.

    wrenches  schema analysis.evidence.WRENCHES
    readings  schema analysis.evidence.READINGS

    Added columns
        x              target / full scale
        deviation_pct  % of reading
        mpd_pct        ± % of reading, for the direction of the row; null where the wrench has no
                       stated tolerance that way. An MPD in % of full scale is expressed at the
                       reading's own reference torque, so `within` judges |X_a - X_r| exactly.

    Raises ValueError when a reading's wrench is not among the wrenches.
    """
    known = wrenches.with_columns(pl.lit(value=True).alias("known"))
    joined = readings.join(known, on="wrench", how="left", maintain_order="left")
    if joined["known"].null_count():
        strangers = joined.filter(pl.col("known").is_null())["wrench"].unique().sort()
        raise ValueError(f"readings of wrenches that are not given: {strangers.to_list()}")
    clockwise = pl.col("direction") == Direction.CLOCKWISE.value
    mpd = pl.when(clockwise).then("mpd_cw_pct").otherwise("mpd_ccw_pct")
    of_full_scale = (
        pl.when(clockwise).then("mpd_cw_of_full_scale").otherwise("mpd_ccw_of_full_scale")
    )
    reference_share = pl.col("reference_nm") / pl.col("full_scale_nm")
    return joined.drop("known").with_columns(
        (pl.col("target_nm") / pl.col("full_scale_nm")).alias("x"),
        deviation_pct(pl.col("indicated_nm"), pl.col("reference_nm")).alias("deviation_pct"),
        pl.when(of_full_scale)
        .then(permissible_pct(mpd, True, reference_share))
        .otherwise(mpd)
        .alias("mpd_pct"),
    )
