"""Is the bottom of a wrench's range less reliable than the top? What the shop's own checks say.

Joins, for each mechanism in each direction, scatter (`range_scatter`), typical error
(`range_error`), what the error is made of (`range_law`), where trust begins (`trust_floor`) and
what else could explain it (`scale_and_hand`), and judges the claims of the trade by the rule of
`range_claim`. Only checks that the shop itself made count: cards come from other benches.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.arrays import Array, Flags
from analysis.bands import Bands
from analysis.clustered import Estimate
from analysis.equal_spread import SpreadTest
from analysis.errors import NotEnoughEvidence
from analysis.kinds import size_class
from analysis.range_bands import BandStudy, PlaceStudy, band_study, bands_of, places
from analysis.range_cells import RangeCells
from analysis.range_claim import Claim, Said, Unanswered, claims_about
from analysis.range_error import BandRatio, ErrorCurve, band_ratio, error_curve
from analysis.range_evidence import RangeEvidence
from analysis.range_law import ErrorPart, RangeLaw, range_law
from analysis.range_scatter import RangeScatter, range_scatter, spread_by_band
from analysis.scale_and_hand import Hands, ScaleShare, hands, scale_share
from analysis.trust_floor import (
    CapabilityPlace,
    TrustFloor,
    capability_along,
    floor_by_capability,
    floor_by_risk,
)
from analysis.vocabulary import Band, Direction, Mechanism
from analysis.wrench_range import Tolerance

METHOD: Final = "range-study"
METHOD_VERSION: Final = "2"  # 2: laws of many hundred wrenches by fewer steps
TOP: Final = 1.0
_CURVE_PLACES: Final = 41

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class StudyRules:
    """What the study is asked with.

    bands                parts of the range
    low_mark             share of full scale below which the trade mistrusts a click wrench
    tolerated_pull_risk  share of pulls outside the limit that the shop accepts
    ppk_aimed_at         capability that the shop aims at
    """

    bands: Bands
    low_mark: float
    tolerated_pull_risk: float
    ppk_aimed_at: float


@dataclass(frozen=True, slots=True)
class CurvePlace:
    """Fitted curves at one x, with their 95 % bands; % of reading but for `outside`."""

    x: float
    scatter_pct: Estimate
    error_sd_pct: Estimate | None
    mean_pct: Estimate | None


@dataclass(frozen=True, slots=True)
class FamilyStudy:
    """The same for one size of the mechanism, in short."""

    size: str
    wrenches: int
    checks: int
    scatter: RangeScatter | Unanswered
    ratio: BandRatio | Unanswered


@dataclass(frozen=True, slots=True)
class MechanismStudy:
    """Everything about one mechanism in one direction.

    ratio            typical error in the low band over that in the upper
    scatter_ratio    the same of the scatter alone, at the low mark over full scale
    parts_at_low_mark, parts_at_top  what the error is made of there
    capability       along the range; empty without an error curve or a stated tolerance
    """

    mechanism: Mechanism
    direction: Direction
    wrenches: int
    checks: int
    readings: int
    bands: tuple[BandStudy, ...]
    places: tuple[PlaceStudy, ...]
    curve: tuple[CurvePlace, ...]
    scatter: RangeScatter | Unanswered
    scatter_ratio: Estimate | None
    spread_test: SpreadTest | None
    ratio: BandRatio | Unanswered
    law: RangeLaw | Unanswered
    parts_at_low_mark: tuple[ErrorPart, ...]
    parts_at_top: tuple[ErrorPart, ...]
    floor_by_risk: TrustFloor | Unanswered
    floor_by_capability: TrustFloor | Unanswered
    capability: tuple[CapabilityPlace, ...]
    scale: ScaleShare | None
    hands: Hands
    families: tuple[FamilyStudy, ...]


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """The study of one shop."""

    rules: StudyRules
    mechanisms: tuple[MechanismStudy, ...]
    claims: tuple[Claim, ...]

    def of(self, mechanism: Mechanism, direction: Direction) -> MechanismStudy | None:
        """The study of one mechanism in one direction, if the shop has checked any of it."""
        for study in self.mechanisms:
            if study.mechanism is mechanism and study.direction is direction:
                return study
        return None


def range_study(
    wrenches: pl.DataFrame,
    deviations: pl.DataFrame,
    circumstances: pl.DataFrame,
    rules: StudyRules,
) -> RangeStudy:
    """Study every mechanism and direction that the shop has checked itself.

    wrenches       schema `analysis.evidence.WRENCHES`
    deviations     frame of `analysis.deviation.with_deviations`
    circumstances  schema `analysis.evidence.CIRCUMSTANCES`; checks that are not in it have none
    """
    own = deviations.filter(~pl.col("card"))
    studies = [
        _mechanism_study(RangeEvidence(wrenches, own, circumstances, mechanism, direction), rules)
        for mechanism in Mechanism
        for direction in Direction
    ]
    found = tuple(study for study in studies if study is not None)
    return RangeStudy(rules, found, claims_about([_said(study) for study in found]))


def _or_unanswered(ask: Callable[[], Answer]) -> Answer | Unanswered:
    try:
        return ask()
    except NotEnoughEvidence as lacking:
        return Unanswered(lacking.because, lacking.needed)


def _mechanism_study(evidence: RangeEvidence, rules: StudyRules) -> MechanismStudy | None:
    if not evidence.histories.size:
        return None
    cells, found = evidence.cells, evidence.found
    of_found = bands_of(found, rules.bands)
    scatter = _or_unanswered(lambda: range_scatter(cells))
    ratio = _or_unanswered(lambda: band_ratio(found, of_found, Band.LOW.value, Band.UPPER.value))
    law = _or_unanswered(lambda: range_law(evidence.histories))
    error = _or_unanswered(lambda: error_curve(found))
    tolerances = evidence.tolerances()
    return MechanismStudy(
        mechanism=evidence.mechanism,
        direction=evidence.direction,
        wrenches=len(cells.wrenches),
        checks=cells.checks,
        readings=int(cells.count.sum()),
        bands=tuple(
            band_study(evidence, rules.bands, band, law if isinstance(law, RangeLaw) else None)
            for band in Band
        ),
        places=places(evidence),
        curve=_curve(scatter, error),
        scatter=scatter,
        scatter_ratio=_scatter_ratio(scatter, rules),
        spread_test=spread_by_band(cells, bands_of(cells, rules.bands)),
        ratio=ratio,
        law=law,
        parts_at_low_mark=law.parts(rules.low_mark) if isinstance(law, RangeLaw) else (),
        parts_at_top=law.parts(TOP) if isinstance(law, RangeLaw) else (),
        floor_by_risk=_floor(
            error,
            tolerances,
            lambda curve: floor_by_risk(curve, tolerances, rules.tolerated_pull_risk),
        ),
        floor_by_capability=_floor(
            error,
            tolerances,
            lambda curve: floor_by_capability(curve, tolerances, rules.ppk_aimed_at),
        ),
        capability=capability_along(error, tolerances, _places_along(error.spread.bottom))
        if isinstance(error, ErrorCurve) and tolerances
        else (),
        scale=scale_share(scatter, cells, evidence.divisions)
        if isinstance(scatter, RangeScatter)
        else None,
        hands=hands(cells, evidence.operators),
        families=_families(evidence, of_found),
    )


def _scatter_ratio(scatter: RangeScatter | Unanswered, rules: StudyRules) -> Estimate | None:
    if isinstance(scatter, Unanswered):
        return None
    # Not below what was measured: there the curve would be a guess.
    return scatter.curve.ratio(max(rules.low_mark, scatter.curve.bottom), TOP)


def _floor(
    error: ErrorCurve | Unanswered,
    tolerances: Counter[Tolerance],
    ask: Callable[[ErrorCurve], TrustFloor],
) -> TrustFloor | Unanswered:
    if isinstance(error, Unanswered):
        return error
    if not tolerances:
        return Unanswered(
            because="none of these wrenches has a stated tolerance that way",
            needed="a maximum permissible deviation in the wrench's record",
        )
    return ask(error)


def _curve(
    scatter: RangeScatter | Unanswered, error: ErrorCurve | Unanswered
) -> tuple[CurvePlace, ...]:
    if isinstance(scatter, Unanswered):
        return ()
    whole = error if isinstance(error, ErrorCurve) else None
    bottom = scatter.curve.bottom
    return tuple(
        CurvePlace(
            x=float(x),
            scatter_pct=scatter.curve.sd_at(float(x)),
            error_sd_pct=whole.spread.sd_at(float(x))
            if whole is not None and x >= whole.spread.bottom
            else None,
            mean_pct=whole.mean_at(float(x))
            if whole is not None and x >= whole.spread.bottom
            else None,
        )
        for x in _places_along(bottom)
    )


def _places_along(bottom: float) -> Array:
    # Evenly in the logarithm: the bottom is where things happen.
    return np.geomspace(bottom, TOP, _CURVE_PLACES)


def _families(evidence: RangeEvidence, of_found: NDArray[np.str_]) -> tuple[FamilyStudy, ...]:
    size = {name: size_class(full) for name, full in evidence.full_scale_nm.items()}

    def of_size(cells: RangeCells, name: str) -> Flags:
        wrenches = [wrench for wrench in cells.wrenches if size[wrench] == name]
        return np.isin(np.array(cells.wrenches, dtype=np.str_)[cells.wrench], wrenches)

    return tuple(
        _family_study(
            name,
            evidence.cells.where(of_size(evidence.cells, name)),
            evidence.found.where(of_size(evidence.found, name)),
            of_found[of_size(evidence.found, name)],
        )
        for name in sorted({size[wrench] for wrench in evidence.cells.wrenches})
    )


def _family_study(
    size: str, cells: RangeCells, found: RangeCells, of_found: NDArray[np.str_]
) -> FamilyStudy:
    return FamilyStudy(
        size=size,
        wrenches=len(cells.wrenches),
        checks=cells.checks,
        scatter=_or_unanswered(lambda: range_scatter(cells)),
        ratio=_or_unanswered(lambda: band_ratio(found, of_found, Band.LOW.value, Band.UPPER.value)),
    )


def _said(study: MechanismStudy) -> Said:
    low = next(band for band in study.bands if band.band is Band.LOW)
    return Said(
        mechanism=study.mechanism,
        direction=study.direction,
        ratio=study.ratio,
        scatter=study.scatter if isinstance(study.scatter, Unanswered) else study.scatter_ratio,
        low_error=low.error_pct,
    )
