"""Repeatability and reproducibility of one wrench, for each band of its range."""

from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.bands import Bands
from analysis.errors import NotEnoughEvidence
from analysis.family import Source
from analysis.repeatability import BandRepeatability, Repeatability
from analysis.scatter_law import ScatterLaw
from analysis.variance_levels import SdEstimate
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


class SdAnswer(FromAnalysis):
    """A standard deviation, % of reading, with its degrees of freedom and interval."""

    sd: float
    df: FiniteOrNull
    low: float
    high: FiniteOrNull


class BandRepeatabilityAnswer(FromAnalysis):
    """One band that has an answer."""

    status: Literal["answered"] = "answered"
    band: Band
    extent: str = Field(description="The band in words.")
    checks: int
    readings: int
    targets: int
    within: SdAnswer = Field(
        description="Repeatability s_r (ISO 5725): readings of one check at one target."
    )
    between: SdAnswer | TooThin = Field(description="Effect of a check, shared by its readings.")
    reproducibility: SdAnswer | TooThin = Field(
        description="s_R (ISO 5725): a reading in another check."
    )
    removed: tuple[str, ...] = Field(
        description="What was taken out before `between`; drift left in stays in it."
    )
    confidence: float

    @classmethod
    def of(cls, band: BandRepeatability, bands: Bands) -> Self:
        return cls(
            band=band.band,
            extent=bands.label(band.band),
            checks=band.checks,
            readings=band.readings,
            targets=band.targets,
            within=SdAnswer.model_validate(band.within),
            between=_sd(band.between),
            reproducibility=_sd(band.reproducibility),
            removed=band.removed,
            confidence=band.confidence,
        )


class BandNotEnoughAnswer(FromAnalysis):
    """One band without enough evidence."""

    status: Literal["not_enough_evidence"] = "not_enough_evidence"
    band: Band
    extent: str
    because: str
    needed: str

    @classmethod
    def of(cls, band: Band, finding: NotEnoughEvidence, bands: Bands) -> Self:
        return cls(
            band=band,
            extent=bands.label(band),
            because=finding.because,
            needed=finding.needed,
        )


class ScatterPartAnswer(FromAnalysis):
    """A standard deviation with its credible interval."""

    sd: float
    lower: float
    upper: float


class ScatterLawAnswer(FromAnalysis):
    """Scatter of the wrench's family: at x, a share of full scale, SD² = rho² + (alpha / x)²."""

    family: str
    source: Source = Field(
        description="Whose readings taught the family's law; `defaults`: assumed values stand in."
    )
    wrenches: int = Field(description="How many wrenches the law was learnt from.")
    checks: int
    rho_pct: ScatterPartAnswer = Field(description="Proportional part, % of reading.")
    alpha_pct: ScatterPartAnswer = Field(description="Constant part, % of full scale.")
    credibility: float = Field(description="Of both intervals.")


class RepeatabilityAnswered(FromAnalysis):
    """The bands in one direction, and the law of the family."""

    status: Literal["answered"] = "answered"
    direction: Direction
    bands: tuple[Annotated[BandRepeatabilityAnswer | BandNotEnoughAnswer, by_status()], ...]
    law: ScatterLawAnswer

    @classmethod
    def of(cls, found: Repeatability, law: ScatterLaw, bands: Bands, asked: Band | None) -> Self:
        return cls(
            direction=found.direction,
            bands=tuple(
                BandNotEnoughAnswer.of(band, answer, bands)
                if isinstance(answer, NotEnoughEvidence)
                else BandRepeatabilityAnswer.of(answer, bands)
                for band, answer in found.bands.items()
                if asked in (None, band)
            ),
            law=ScatterLawAnswer.model_validate(law),
        )


class RepeatabilityAnswer(AnalysisAnswer):
    """How a wrench scatters, within a check and from check to check."""

    directions: tuple[
        Annotated[RepeatabilityAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]


def _sd(estimate: SdEstimate | NotEnoughEvidence) -> SdAnswer | TooThin:
    if isinstance(estimate, NotEnoughEvidence):
        return TooThin.model_validate(estimate)
    return SdAnswer.model_validate(estimate)
