"""How far a pull is expected to stay from the nearer of its two limits."""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Margin:
    """From the expected deviation to the nearer limit; negative when it lies beyond.

    pct   in % of reading
    nm    the same in N·m delivered: from the torque expected to that at the limit
    sds   in standard deviations of the pull; infinite when it has none
    low   True: the nearer limit is the one of delivering too little
    """

    pct: float
    nm: float
    sds: float
    low: bool


def margin(torque_nm: float, deviation_pct: float, sd_pct: float, mpd_pct: float) -> Margin:
    """The margin of a pull at an indicated torque.

    torque_nm      what the wrench says, > 0
    deviation_pct  expected deviation, % of reading (ISO 6789 sign), > -100
    sd_pct         its standard deviation, >= 0
    mpd_pct        ± limit, % of reading, < 100

    A deviation d means that X_a / (1 + d / 100) is delivered (`analysis.deviation`, solved for the
    reference), so equal shares of a percent are not quite equal torques on both sides.
    """

    def delivered(deviation: float) -> float:
        return torque_nm / (1.0 + deviation / 100.0)

    low = deviation_pct >= 0
    pct = mpd_pct - abs(deviation_pct)
    limit = mpd_pct if low else -mpd_pct
    nm = delivered(deviation_pct) - delivered(limit)
    sds = pct / sd_pct if sd_pct > 0 else math.copysign(math.inf, pct)
    return Margin(pct=pct, nm=nm if low else -nm, sds=sds, low=low)
