"""Everything that the range study knows of one mechanism in one direction, over HTTP."""

from collections.abc import Iterable
from dataclasses import asdict
from typing import Self

from pydantic import Field

from analysis.range_bands import BandStudy, PlaceStudy
from analysis.range_claim import Unanswered
from analysis.range_law import ErrorPart, RangeLaw
from analysis.range_study import CurvePlace, MechanismStudy, StudyRules
from analysis.trust_floor import CapabilityPlace, TrustFloor
from analysis.vocabulary import Band, Direction, Mechanism
from service.range_finding import part_in_words
from service.schemas.analyses import FiniteOrNull, FromAnalysis, TooThin, or_none
from service.schemas.base import Answer
from service.schemas.range_law import LawParameterAnswer, SpreadAnswer


class EstimateAnswer(FromAnalysis):
    """A number with its 95 % interval; the doubt is that between wrenches."""

    value: float
    lower: FiniteOrNull
    upper: FiniteOrNull
    df: float


class BandStudyAnswer(Answer):
    """One part of the range."""

    band: Band
    extent: str = Field(description="The band in words.")
    x_pct_of_full_scale: FiniteOrNull = Field(description="Mean place of its readings.")
    scatter_pct: EstimateAnswer | None = Field(
        description="SD of one reading within its check, % of reading."
    )
    error_pct: EstimateAnswer | None = Field(
        description="Typical error: root mean square deviation as found, everything included."
    )
    bias_pct: EstimateAnswer | None = Field(
        description="Mean deviation as found; positive: delivers less than it says."
    )
    bias_spread_pct: float | None = Field(description="SD between wrenches of their means.")
    drift_pct_per_year: SpreadAnswer | None
    outside: float | None = Field(description="Share of as-found readings outside their limit.")
    wrenches: int
    checks: int
    readings: int

    @classmethod
    def of(cls, band: BandStudy) -> Self:
        return cls(
            band=band.band,
            extent=band.label,
            x_pct_of_full_scale=100 * band.x,
            scatter_pct=or_none(EstimateAnswer, band.scatter_pct),
            error_pct=or_none(EstimateAnswer, band.error_pct),
            bias_pct=or_none(EstimateAnswer, band.bias_pct),
            bias_spread_pct=band.bias_spread_pct,
            drift_pct_per_year=or_none(SpreadAnswer, band.drift_pct_per_year),
            outside=band.outside,
            wrenches=band.wrenches,
            checks=band.checks,
            readings=band.readings,
        )


class PlaceStudyAnswer(Answer):
    """All readings at one share of full scale: a point to plot."""

    x_pct_of_full_scale: float
    scatter_pct: EstimateAnswer | None
    error_pct: EstimateAnswer | None
    outside: float | None
    wrenches: int
    readings: int

    @classmethod
    def of(cls, place: PlaceStudy) -> Self:
        return cls(
            x_pct_of_full_scale=100 * place.x,
            scatter_pct=or_none(EstimateAnswer, place.scatter_pct),
            error_pct=or_none(EstimateAnswer, place.error_pct),
            outside=place.outside,
            wrenches=place.wrenches,
            readings=place.readings,
        )


class CurvePlaceAnswer(Answer):
    """The fitted curves at one place: lines to plot, % of reading."""

    x_pct_of_full_scale: float
    scatter_pct: EstimateAnswer
    error_sd_pct: EstimateAnswer | None
    mean_pct: EstimateAnswer | None

    @classmethod
    def of(cls, place: CurvePlace) -> Self:
        return cls(
            x_pct_of_full_scale=100 * place.x,
            scatter_pct=EstimateAnswer.model_validate(place.scatter_pct),
            error_sd_pct=or_none(EstimateAnswer, place.error_sd_pct),
            mean_pct=or_none(EstimateAnswer, place.mean_pct),
        )


class ConstantScatterTestAnswer(FromAnalysis):
    """Test that no scatter is constant in torque (alpha = 0)."""

    likelihood_ratio: float
    design_effect: float
    p_value: float
    df: float


class RangeScatterAnswer(FromAnalysis):
    """Scatter within a check: at x, a share of full scale, SD² = rho² + (alpha / x)²."""

    rho_pct: EstimateAnswer = Field(description="Proportional part, % of reading.")
    alpha_pct: EstimateAnswer = Field(description="Constant part, % of full scale.")
    rounding_pct: float = Field(
        description="What rounding in known steps adds to alpha as found, % of full scale."
    )
    steps_too_coarse: bool = Field(
        description="The steps are more than twice the scatter at the bottom and hide it."
    )
    no_constant_part: ConstantScatterTestAnswer
    wrenches: int
    checks: int
    readings: int


class SpreadTestAnswer(FromAnalysis):
    """Do readings about the mean of their check spread alike in all bands? No decision rests on it:
    readings of one wrench are not quite independent."""

    method: str
    statistic: float
    df: tuple[int, ...]
    p_value: float


class BandRatioAnswer(FromAnalysis):
    """Typical error in the low band over that in the upper, for wrenches checked in both."""

    ratio: EstimateAnswer
    wrenches: int
    checks: int


class ErrorPartAnswer(Answer):
    """One part of the mean square error at a place, a year after a wrench was first seen."""

    name: str = Field(description="scatter, check, level or drift")
    term: str = Field(
        description="gain: the same everywhere in % of reading; offset: grows towards the bottom;"
        " shared: what all wrenches have in common, either way."
    )
    in_words: str
    sd_pct: SpreadAnswer
    share: SpreadAnswer = Field(description="Below zero where level and drift cancel.")

    @classmethod
    def of(cls, part: ErrorPart) -> Self:
        return cls(
            name=part.name,
            term=part.term,
            in_words=part_in_words(part),
            sd_pct=SpreadAnswer.model_validate(part.sd_pct),
            share=SpreadAnswer.model_validate(part.share),
        )


class RangeLawAnswer(Answer):
    """The error law, learnt under an assumption that is the same for every mechanism."""

    parameters: tuple[LawParameterAnswer, ...]
    parts_at_low_mark: tuple[ErrorPartAnswer, ...]
    parts_at_full_scale: tuple[ErrorPartAnswer, ...]
    wrenches: int
    checks: int

    @classmethod
    def of(cls, law: RangeLaw, study: MechanismStudy) -> Self:
        return cls(
            parameters=LawParameterAnswer.all_of(law),
            parts_at_low_mark=_parts(study.parts_at_low_mark),
            parts_at_full_scale=_parts(study.parts_at_top),
            wrenches=law.wrenches,
            checks=law.checks,
        )


class TrustFloorAnswer(Answer):
    """Where trust begins, % of full scale."""

    floor_pct_of_full_scale: float | None = Field(description="null: nowhere in the range.")
    lower_pct_of_full_scale: float | None
    upper_pct_of_full_scale: float | None = Field(description="null: it may be nowhere.")
    lowest_checked_pct_of_full_scale: float = Field(
        description="Nothing is known below: a floor there means as far down as was checked."
    )

    @classmethod
    def of(cls, floor: TrustFloor) -> Self:
        def percent(x: float | None) -> float | None:
            return None if x is None else 100 * x

        return cls(
            floor_pct_of_full_scale=percent(floor.floor),
            lower_pct_of_full_scale=percent(floor.lower),
            upper_pct_of_full_scale=percent(floor.upper),
            lowest_checked_pct_of_full_scale=100 * floor.lowest_checked,
        )


class CapabilityPlaceAnswer(Answer):
    """Capability of as-found readings at one place, with 95 % intervals: lines to plot."""

    x_pct_of_full_scale: float
    ppk: float
    ppk_lower: float
    ppk_upper: float
    outside: float = Field(description="Share of as-found pulls outside the limit.")
    outside_lower: float
    outside_upper: float

    @classmethod
    def of(cls, place: CapabilityPlace) -> Self:
        numbers = asdict(place)
        return cls(x_pct_of_full_scale=100 * numbers.pop("x"), **numbers)


class TrustAnswer(Answer):
    """From where on, up to full scale, the mechanism may be trusted, beside the trade's mark."""

    by_pull_risk: TrustFloorAnswer | TooThin = Field(
        description="Pulls as found are outside the limit no more often than is tolerated."
    )
    by_capability: TrustFloorAnswer | TooThin = Field(description="The Ppk aimed at is met.")
    caution_below_pct_of_full_scale: float = Field(description="The policy's mark.")


class ScaleShareAnswer(FromAnalysis):
    """How much of alpha the divisions of wrenches set to a mark could explain."""

    most_pct: float = Field(
        description="Were each pull set anew: root mean square division / sqrt(12), % of full"
        " scale."
    )
    kappa: EstimateAnswer | None = Field(
        description="Share of it that the readings show; null: all divisions are as fine."
    )
    left_pct: EstimateAnswer = Field(description="Left of alpha for the wrench or the hand.")
    told_apart: bool = Field(description="Whether something is left in any case.")
    wrenches: int


class HandAnswer(FromAnalysis):
    """The scatter of the checks that one person or bench made."""

    operator: str
    scatter: RangeScatterAnswer


class HandsAnswer(FromAnalysis):
    """Who made the checks: those with checks of at least five wrenches, the steadiest first."""

    each: tuple[HandAnswer, ...]
    unnamed: int = Field(description="Checks without a name.")
    told_apart: bool


class FamilyStudyAnswer(FromAnalysis):
    """The same for one size of the mechanism, in short."""

    size: str
    wrenches: int
    checks: int
    scatter: RangeScatterAnswer | TooThin
    ratio: BandRatioAnswer | TooThin


class MechanismAnswer(Answer):
    """Everything about one mechanism in one direction."""

    mechanism: Mechanism
    direction: Direction
    wrenches: int
    checks: int
    readings: int
    ratio: BandRatioAnswer | TooThin
    scatter_ratio: EstimateAnswer | None = Field(
        description="Scatter at the policy's mark, or where checks begin, over that at full scale."
    )
    scatter: RangeScatterAnswer | TooThin
    spread_test: SpreadTestAnswer | None
    law: RangeLawAnswer | TooThin
    trust: TrustAnswer
    scale: ScaleShareAnswer | None = Field(description="null: no division is stated.")
    hands: HandsAnswer
    bands: tuple[BandStudyAnswer, ...]
    families: tuple[FamilyStudyAnswer, ...]
    places: tuple[PlaceStudyAnswer, ...]
    capability: tuple[CapabilityPlaceAnswer, ...] = Field(
        description="Empty without a stated tolerance, or with too few wrenches."
    )
    curve: tuple[CurvePlaceAnswer, ...]

    @classmethod
    def of(cls, study: MechanismStudy, rules: StudyRules) -> Self:
        return cls(
            mechanism=study.mechanism,
            direction=study.direction,
            wrenches=study.wrenches,
            checks=study.checks,
            readings=study.readings,
            ratio=_thin(study.ratio) or BandRatioAnswer.model_validate(study.ratio),
            scatter_ratio=or_none(EstimateAnswer, study.scatter_ratio),
            scatter=_thin(study.scatter) or RangeScatterAnswer.model_validate(study.scatter),
            spread_test=or_none(SpreadTestAnswer, study.spread_test),
            law=TooThin.model_validate(study.law)
            if isinstance(study.law, Unanswered)
            else RangeLawAnswer.of(study.law, study),
            trust=TrustAnswer(
                by_pull_risk=_floor(study.floor_by_risk),
                by_capability=_floor(study.floor_by_capability),
                caution_below_pct_of_full_scale=100 * rules.low_mark,
            ),
            scale=or_none(ScaleShareAnswer, study.scale),
            hands=HandsAnswer.model_validate(study.hands),
            bands=tuple(BandStudyAnswer.of(band) for band in study.bands),
            families=tuple(FamilyStudyAnswer.model_validate(each) for each in study.families),
            places=tuple(PlaceStudyAnswer.of(place) for place in study.places),
            capability=tuple(CapabilityPlaceAnswer.of(place) for place in study.capability),
            curve=tuple(CurvePlaceAnswer.of(place) for place in study.curve),
        )


def _thin(found: object) -> TooThin | None:
    return TooThin.model_validate(found) if isinstance(found, Unanswered) else None


def _floor(found: TrustFloor | Unanswered) -> TrustFloorAnswer | TooThin:
    if isinstance(found, Unanswered):
        return TooThin.model_validate(found)
    return TrustFloorAnswer.of(found)


def _parts(parts: Iterable[ErrorPart]) -> tuple[ErrorPartAnswer, ...]:
    return tuple(ErrorPartAnswer.of(part) for part in parts)
