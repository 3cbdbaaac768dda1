"""Parts of the range of a wrench, by the share x = target / full scale."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.vocabulary import Band

# 30 ft·lbf of 100 ft·lbf comes out as 0.29999999999999993 once both are in N·m.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Bands:
    """Where the low band ends and the upper one begins; both limits belong to the middle.

    low_below    share of full scale, default 0.30
    upper_above  share of full scale, default 0.70 (both common practice, no source)

    Raises ValueError unless 0 < low_below <= upper_above < 1.
    """

    low_below: float = 0.30
    upper_above: float = 0.70

    def __post_init__(self) -> None:
        if not 0.0 < self.low_below <= self.upper_above < 1.0:
            raise ValueError(
                "bands need 0 < low_below <= upper_above < 1, "
                f"not {self.low_below!r} and {self.upper_above!r}"
            )

    def of(self, x: float) -> Band:
        """The band of a share of full scale; raises ValueError unless x is finite and > 0."""
        if not (math.isfinite(x) and x > 0.0):
            raise ValueError(f"a share of full scale is above zero, not {x!r}")
        if x < self.low_below - _ROUNDING:
            return Band.LOW
        return Band.UPPER if x > self.upper_above + _ROUNDING else Band.MID

    def column(self, x: str = "x") -> pl.Expr:
        """The band's name for each row of a frame with the share of full scale in column `x`."""
        share = pl.col(x)
        return (
            pl.when(share < self.low_below - _ROUNDING)
            .then(pl.lit(Band.LOW.value))
            .when(share > self.upper_above + _ROUNDING)
            .then(pl.lit(Band.UPPER.value))
            .otherwise(pl.lit(Band.MID.value))
            .alias("band")
        )

    def numbers(self, x: Array) -> NDArray[np.intp]:
        """The band of each share of full scale as its number in the order of `Band`."""
        above = (x >= self.low_below - _ROUNDING).astype(np.intp)
        return np.asarray(above + (x > self.upper_above + _ROUNDING), dtype=np.intp)

    def label(self, band: Band) -> str:
        """The band in words, e.g. `low, below 30 % of full scale`."""
        low, upper = f"{self.low_below * 100:g}", f"{self.upper_above * 100:g}"
        extent = {
            Band.LOW: f"below {low} %",
            Band.MID: f"{low} % to {upper} %",
            Band.UPPER: f"above {upper} %",
        }
        return f"{band.value}, {extent[band]} of full scale"
