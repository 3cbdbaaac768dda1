"""Parts of a range study made up by hand, to be put into words and pictures."""

from dataclasses import replace
from typing import Any

import numpy as np

from analysis.bands import Bands
from analysis.clustered import Estimate
from analysis.range_bands import BandStudy, PlaceStudy
from analysis.range_claim import Claim, Settling, Subject, Unanswered, Verdict
from analysis.range_law import ErrorPart, Spread
from analysis.range_scatter import ConstantScatterTest, RangeScatter
from analysis.range_study import MechanismStudy, RangeStudy, StudyRules
from analysis.scale_and_hand import Hands
from analysis.trust_floor import TrustedWindow, TrustFloor
from analysis.variance_curve import VarianceCurve
from analysis.vocabulary import Band, Direction, Mechanism

RULES = StudyRules(bands=Bands(), low_mark=0.2, tolerated_pull_risk=0.02, ppk_aimed_at=1.0)
FEW = Unanswered("it rests on 1 wrench", "5 such wrenches would do for a first answer")


def estimate(value: float, lower: float, upper: float, df: float = 8.0) -> Estimate:
    return Estimate(value=value, lower=lower, upper=upper, se=0.1, df=df)


def a_claim(**changes: Any) -> Claim:
    fields: dict[str, Any] = {
        "subject": Subject.BOTTOM_IS_LESS_RELIABLE,
        "mechanism": Mechanism.SPRING,
        "direction": Direction.CLOCKWISE,
        "verdict": Verdict.CONFIRMED,
        "ratio": estimate(2.59, 2.21, 3.02),
        "settling": None,
        "unanswered": None,
    }
    return Claim(**(fields | changes))


def an_open_claim(settling: Settling | None, **changes: Any) -> Claim:
    return a_claim(
        **{
            "verdict": Verdict.TOO_LITTLE_DATA,
            "ratio": estimate(1.08, 0.89, 1.30),
            "settling": settling,
        }
        | changes
    )


def an_unanswered_claim(**changes: Any) -> Claim:
    return a_claim(
        **{"verdict": Verdict.TOO_LITTLE_DATA, "ratio": None, "unanswered": FEW} | changes
    )


def a_part(name: str, term: str, share: float) -> ErrorPart:
    return ErrorPart(name, term, Spread(1.0, 0.5, 1.5), Spread(share, share / 2, share * 2))


def a_band(band: Band, **changes: Any) -> BandStudy:
    fields: dict[str, Any] = {
        "band": band,
        "label": Bands().label(band),
        "x": 0.2,
        "scatter_pct": estimate(0.9, 0.8, 1.0),
        "error_pct": estimate(2.0, 1.7, 2.4),
        "bias_pct": estimate(1.4, 1.1, 1.8),
        "bias_spread_pct": 0.7,
        "drift_pct_per_year": None,
        "outside": 0.05,
        "wrenches": 9,
        "checks": 30,
        "readings": 150,
    }
    return BandStudy(**(fields | changes))


def a_mechanism(**changes: Any) -> MechanismStudy:
    """One about which hardly anything is known, unless `changes` say more."""
    fields: dict[str, Any] = {
        "mechanism": Mechanism.SPRING,
        "direction": Direction.CLOCKWISE,
        "wrenches": 1,
        "checks": 1,
        "readings": 15,
        "bands": tuple(a_band(band) for band in Band),
        "places": (PlaceStudy(0.2, None, None, None, 1, 5),),
        "curve": (),
        "scatter": FEW,
        "scatter_ratio": None,
        "spread_test": None,
        "ratio": FEW,
        "law": FEW,
        "parts_at_low_mark": (),
        "parts_at_top": (),
        "floor_by_risk": FEW,
        "floor_by_capability": FEW,
        "capability": (),
        "scale": None,
        "hands": Hands(each=(), unnamed=0, told_apart=False),
        "families": (),
    }
    return MechanismStudy(**(fields | changes))


def a_study(*mechanisms: MechanismStudy, claims: tuple[Claim, ...] = ()) -> RangeStudy:
    return RangeStudy(RULES, mechanisms, claims)


def a_floor(floor: float | None, lower: float | None, upper: float | None) -> TrustFloor:
    return TrustFloor(floor=floor, lower=lower, upper=upper, lowest_checked=0.1)


WINDOW = TrustedWindow(
    wrench="SP-1",
    direction=Direction.CLOCKWISE,
    lowest=0.25,
    highest=1.0,
    floor_lower=0.22,
    floor_upper=0.3,
    worst=0.2,
    worst_at=0.2,
    checks=3,
)


def a_window(**changes: Any) -> TrustedWindow:
    return replace(WINDOW, **changes)


def a_scatter(
    alpha: tuple[float, float, float] = (0.16, 0.14, 0.19),
    rounding: float = 0.01,
    coarse: bool = False,
) -> RangeScatter:
    return RangeScatter(
        curve=VarianceCurve(0.2, np.zeros(2), np.eye(2), 8.0),
        rho_pct=estimate(0.3, 0.25, 0.35),
        alpha_pct=estimate(*alpha),
        rounding_pct=rounding,
        steps_too_coarse=coarse,
        no_constant_part=ConstantScatterTest(30.0, 2.0, 0.0004, 8.0),
        wrenches=9,
        checks=30,
        readings=450,
    )
