"""Capability of one wrench against its maximum permissible deviation, for each band."""

from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.bands import Bands
from analysis.capability import BandCapability, Capability, Indices, OverallCapability
from analysis.capability_by_law import PlaceCapability
from analysis.errors import NotEnoughEvidence
from analysis.vocabulary import Band, Direction
from service.schemas.analyses import (
    AnalysisAnswer,
    FiniteOrNull,
    FromAnalysis,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    TooThin,
    by_status,
)
from service.schemas.scatter import BandNotEnoughAnswer


class CapabilityIndicesAnswer(FromAnalysis):
    """Indices by one standard deviation, in shares of the limit: the limits are -1 and 1."""

    sd: float
    df: FiniteOrNull
    effective_readings: float = Field(
        description="Independent readings that the mean is worth: readings of one check share its"
        " effect."
    )
    index: float = Field(description="Cp (within) or Pp (overall).")
    index_low: float
    index_high: FiniteOrNull
    nearer: float = Field(description="Cpk or Ppk: to the nearer limit.")
    nearer_low: FiniteOrNull = Field(description="Its one-sided lower confidence limit.")
    fraction_outside: float
    fraction_outside_predicted: float = Field(
        description="The same with the uncertainty of mean and deviation in it."
    )


class ToleranceIntervalAnswer(FromAnalysis):
    """Holds `content` of the pulls with `confidence`, in shares of the limit."""

    low: FiniteOrNull
    high: FiniteOrNull
    factor: FiniteOrNull
    factor_howe: FiniteOrNull
    content: float
    confidence: float


class OverallCapabilityAnswer(FromAnalysis):
    """What needs at least two checks."""

    performance: CapabilityIndicesAnswer = Field(description="Pp and Ppk.")
    cpm: float
    tolerance: ToleranceIntervalAnswer


class BandCapabilityAnswer(FromAnalysis):
    """One band since the last adjustment."""

    status: Literal["answered"] = "answered"
    band: Band
    extent: str
    checks: int
    readings: int
    mean: float = Field(
        description="Mean of deviation / limit; positive: the wrench delivers less than it says."
    )
    mean_u: float
    mpd_low_pct: float
    mpd_high_pct: float
    within: CapabilityIndicesAnswer | TooThin = Field(description="Cp and Cpk.")
    overall: OverallCapabilityAnswer | TooThin = Field(description="Pp, Ppk, Cpm.")
    confidence: float

    @classmethod
    def of(cls, band: BandCapability, bands: Bands) -> Self:
        return cls(
            band=band.band,
            extent=bands.label(band.band),
            checks=band.checks,
            readings=band.readings,
            mean=band.mean,
            mean_u=band.mean_u,
            mpd_low_pct=band.mpd_low_pct,
            mpd_high_pct=band.mpd_high_pct,
            within=_within(band.within),
            overall=_overall(band.overall),
            confidence=band.confidence,
        )


class CapabilityIndexAnswer(FromAnalysis):
    """An index by the error law: posterior median, and what it exceeds with 95 % credibility."""

    value: float
    lower: float


class PlaceCapabilityAnswer(FromAnalysis):
    """Capability at one place of the range today, measured there or not, by the error law."""

    x_pct_of_full_scale: float
    mpd_pct: float
    deviation_pct: float
    within_sd_pct: float
    overall_sd_pct: float
    cp: CapabilityIndexAnswer
    cpk: CapabilityIndexAnswer
    pp: CapabilityIndexAnswer
    ppk: CapabilityIndexAnswer
    fraction_outside: float
    fraction_outside_upper: float

    @classmethod
    def of(cls, place: PlaceCapability) -> Self:
        return cls(
            x_pct_of_full_scale=100 * place.x,
            mpd_pct=place.mpd_pct,
            deviation_pct=place.deviation_pct,
            within_sd_pct=place.within_sd_pct,
            overall_sd_pct=place.overall_sd_pct,
            cp=CapabilityIndexAnswer.model_validate(place.cp),
            cpk=CapabilityIndexAnswer.model_validate(place.cpk),
            pp=CapabilityIndexAnswer.model_validate(place.pp),
            ppk=CapabilityIndexAnswer.model_validate(place.ppk),
            fraction_outside=place.fraction_outside,
            fraction_outside_upper=place.fraction_outside_upper,
        )


class CapabilityAnswered(FromAnalysis):
    """The bands in one direction, and the whole range by the error law."""

    status: Literal["answered"] = "answered"
    direction: Direction
    bands: tuple[Annotated[BandCapabilityAnswer | BandNotEnoughAnswer, by_status()], ...]

    curve: tuple[PlaceCapabilityAnswer, ...] = Field(
        description="From the lowest marked value to full scale, with all that the family shows."
    )

    @classmethod
    def of(
        cls,
        found: Capability,
        curve: Sequence[PlaceCapability],
        bands: Bands,
        asked: Band | None,
    ) -> Self:
        return cls(
            direction=found.direction,
            curve=tuple(PlaceCapabilityAnswer.of(place) for place in curve),
            bands=tuple(
                BandNotEnoughAnswer.of(band, answer, bands)
                if isinstance(answer, NotEnoughEvidence)
                else BandCapabilityAnswer.of(answer, bands)
                for band, answer in found.bands.items()
                if asked in (None, band)
            ),
        )


class CapabilityAnswer(AnalysisAnswer):
    """How surely a wrench stays inside its limit."""

    directions: tuple[
        Annotated[CapabilityAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]


def _within(indices: Indices | NotEnoughEvidence) -> CapabilityIndicesAnswer | TooThin:
    if isinstance(indices, NotEnoughEvidence):
        return TooThin.model_validate(indices)
    return CapabilityIndicesAnswer.model_validate(indices)


def _overall(overall: OverallCapability | NotEnoughEvidence) -> OverallCapabilityAnswer | TooThin:
    if isinstance(overall, NotEnoughEvidence):
        return TooThin.model_validate(overall)
    return OverallCapabilityAnswer.model_validate(overall)
