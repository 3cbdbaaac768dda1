"""A wrench's marked range and stated tolerance, and what a check of it should measure."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.arrays import Array
from analysis.deviation import permissible_pct
from analysis.errors import OutsideRange
from analysis.pass_probability import CheckPlan
from analysis.vocabulary import Direction, Mechanism


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Maximum permissible deviation of one direction: ± percent of reading or of full scale."""

    percent: float
    of_full_scale: bool


@dataclass(frozen=True, slots=True)
class WrenchRange:
    """One row of `analysis.evidence.WRENCHES`, typed."""

    wrench: str
    mechanism: Mechanism
    lowest_nm: float
    full_scale_nm: float
    tolerances: dict[Direction, Tolerance]

    def share(self, torque_nm: float) -> float:
        """x of a torque; raises OutsideRange beyond the marked range."""
        # Conversion between units moves the ends of a range by rounding noise.
        slack = 1e-9 * self.full_scale_nm
        if not self.lowest_nm - slack <= torque_nm <= self.full_scale_nm + slack:
            raise OutsideRange(
                because=f"{torque_nm:.4g} N·m is not between {self.lowest_nm:.4g} and "
                f"{self.full_scale_nm:.4g} N·m, the marked range of wrench {self.wrench}",
                needed="take a wrench whose marked range holds this torque",
            )
        return torque_nm / self.full_scale_nm

    def mpd_pct(self, direction: Direction, x: Array | float) -> Array:
        """Limit at x, % of reading; raises OutsideRange where that direction has none."""
        try:
            tolerance = self.tolerances[direction]
        except KeyError:
            words = direction.value.replace("_", "-")
            raise OutsideRange(
                because=f"wrench {self.wrench} has no stated tolerance {words}",
                needed=f"take a wrench with a stated {words} tolerance",
            ) from None
        shares = np.asarray(x, dtype=np.float64)
        return permissible_pct(
            np.full(shares.shape, tolerance.percent), tolerance.of_full_scale, shares
        )

    def plan(self, shares: tuple[float, ...], repeats: int) -> CheckPlan:
        """The shop's plan on this wrench: no target below its lowest marked value.

        ISO 6789-1:2017 begins at the lowest marked value, the 2003 edition at 20 % (both from
        memory): the shares are the shop's choice, the range is the wrench's.
        """
        lowest = self.lowest_nm / self.full_scale_nm
        return CheckPlan(x=tuple(sorted({max(share, lowest) for share in shares})), repeats=repeats)


def wrench_ranges(wrenches: pl.DataFrame) -> dict[str, WrenchRange]:
    """Every wrench of the frame `analysis.evidence.WRENCHES` by serial."""
    columns = {Direction.CLOCKWISE: "cw", Direction.COUNTER_CLOCKWISE: "ccw"}
    return {
        row["wrench"]: WrenchRange(
            wrench=row["wrench"],
            mechanism=Mechanism(row["mechanism"]),
            lowest_nm=row["lowest_nm"],
            full_scale_nm=row["full_scale_nm"],
            tolerances={
                direction: Tolerance(row[f"mpd_{short}_pct"], row[f"mpd_{short}_of_full_scale"])
                for direction, short in columns.items()
                if row[f"mpd_{short}_pct"] is not None
            },
        )
        for row in wrenches.iter_rows(named=True)
    }
