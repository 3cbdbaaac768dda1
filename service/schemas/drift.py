"""The drift of one wrench, with the points and lines to plot."""

from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.drift import Drift
from analysis.errors import NotEnoughEvidence
from analysis.family import Source
from analysis.own_history import OwnHistory
from analysis.time_basis import TimeBasis
from analysis.vocabulary import Direction
from service.frames import instant_of_day
from service.schemas.analyses import (
    AnalysisAnswer,
    DayInstant,
    FiniteOrNull,
    FromAnalysis,
    NoPerformanceAnswer,
    NotEnoughAnswer,
    TooThin,
    by_status,
)
from service.schemas.base import UtcInstant


class RateAnswer(FromAnalysis):
    """A drift rate a year with its 95 % interval, family and own readings together."""

    per_year: float
    sd: float
    lower: float
    upper: float
    tail_probability: float = Field(
        description="Two-sided: how easily the rate could have the other sign."
    )


class PlaceAnswer(FromAnalysis):
    """Deviation now and drift at one place of the range, % of reading."""

    x_pct_of_full_scale: float
    deviation_pct: float
    deviation_lower_pct: float
    deviation_upper_pct: float
    rate_pct_per_year: RateAnswer


class EvidenceAnswer(FromAnalysis):
    """What the drift rests on."""

    checks: int
    readings: int
    first_at: DayInstant = Field(validation_alias="first_day")
    last_at: DayInstant = Field(validation_alias="last_day")
    family: str
    source: Source = Field(
        description="Whose readings taught the family's law; `defaults`: assumed values stand in."
    )
    basis: TimeBasis = Field(description="What the family's drift runs with.")
    family_wrenches: int
    weight_of_own_data: float = Field(
        description="0 to 1: share of the family's spread of rates that the wrench's own readings"
        " have removed."
    )


class SegmentAnswer(FromAnalysis):
    """A stretch of history without adjustment or jump."""

    begin_at: DayInstant = Field(validation_alias="begin_day")
    end_at: DayInstant = Field(validation_alias="end_day")
    checks: int
    begun_by: str


class JumpAnswer(FromAnalysis):
    """A sudden change of level that nobody logged; forecasts do not run across it."""

    after: UtcInstant
    before: UtcInstant
    check: str
    evidence: FiniteOrNull = Field(description="Average likelihood ratio.")
    gain_pct: float
    offset_pct_of_full_scale: float


class LackOfFitAnswer(FromAnalysis):
    """How surprising the checks were to the law."""

    chi_squared: float
    degrees_of_freedom: int
    p_value: FiniteOrNull


class OutlyingAnswer(FromAnalysis):
    """A reading far from its fellows: it counts for less, and is never dropped."""

    check: str
    x_pct_of_full_scale: float
    deviation_pct: float
    distance: float = Field(description="From their median, in SDs of a reading.")
    weight: float = Field(description="What it still counts, 0 to 1.")


class TailsAnswer(FromAnalysis):
    """Scatter with longer tails than the normal: now and then a reading is much wider."""

    share: float = Field(description="How often; 0: scatter is normal.")
    factor: float = Field(description="How many times as wide as the rest.")


class DiagnosticsAnswer(FromAnalysis):
    """Tests of the family's law on its readings; a small p-value speaks against the law."""

    residuals: int
    normal_p_value: FiniteOrNull = Field(description="Of normal scatter (Anderson-Darling).")
    equal_width_p_value: FiniteOrNull = Field(
        description="Of scatter that follows the law over the range (Breusch-Pagan)."
    )
    tails: TailsAnswer = Field(description="What forecasts use where scatter is not normal.")
    surprise_ratio: FiniteOrNull = Field(
        description="Squared prediction errors of checks over what was expected; about 1."
    )


class OwnRateAnswer(FromAnalysis):
    """A drift rate a year from the wrench's own readings alone, with its 95 % interval."""

    per_year: float
    standard_error: FiniteOrNull
    lower: FiniteOrNull
    upper: FiniteOrNull
    p_value: FiniteOrNull


class OwnHistoryAnswer(FromAnalysis):
    """The wrench's own history, nothing borrowed; beside the pooled view, to compare."""

    gain_pct_per_year: OwnRateAnswer = Field(validation_alias="gain")
    offset_pct_of_full_scale_per_year: OwnRateAnswer = Field(validation_alias="offset")
    checks: int
    degrees_of_freedom: int
    converged: bool


class PlotPointAnswer(FromAnalysis):
    """Mean deviation of the readings of one check at one target."""

    at: UtcInstant
    x_pct_of_full_scale: float
    deviation_pct: float
    readings: int
    check: str


class PlotLineAnswer(FromAnalysis):
    """Level at one place of the range over time, its 95 % band, and the band of one reading."""

    x_pct_of_full_scale: float
    at: tuple[UtcInstant, ...]
    deviation_pct: tuple[float, ...]
    lower_pct: tuple[float, ...]
    upper_pct: tuple[float, ...]
    reading_lower_pct: tuple[float, ...]
    reading_upper_pct: tuple[float, ...]


class DriftAnswered(FromAnalysis):
    """The drift in one direction."""

    status: Literal["answered"] = "answered"
    direction: Direction
    gain_pct_per_year: RateAnswer
    offset_pct_of_full_scale_per_year: RateAnswer
    places: tuple[PlaceAnswer, ...]
    evidence: EvidenceAnswer
    outlying: tuple[OutlyingAnswer, ...]
    segments: tuple[SegmentAnswer, ...]
    jumps: tuple[JumpAnswer, ...]
    lack_of_fit: LackOfFitAnswer
    diagnostics: DiagnosticsAnswer | TooThin
    own_history: OwnHistoryAnswer | TooThin
    points: tuple[PlotPointAnswer, ...]
    lines: tuple[PlotLineAnswer, ...]

    @classmethod
    def of(cls, drift: Drift, direction: Direction) -> Self:
        return cls(
            direction=direction,
            gain_pct_per_year=RateAnswer.model_validate(drift.gain),
            offset_pct_of_full_scale_per_year=RateAnswer.model_validate(drift.offset),
            places=tuple(
                PlaceAnswer(
                    x_pct_of_full_scale=100 * place.x,
                    deviation_pct=place.deviation_pct,
                    deviation_lower_pct=place.deviation_lower_pct,
                    deviation_upper_pct=place.deviation_upper_pct,
                    rate_pct_per_year=RateAnswer.model_validate(place.rate),
                )
                for place in drift.places
            ),
            evidence=EvidenceAnswer.model_validate(drift.evidence),
            outlying=tuple(
                OutlyingAnswer(
                    check=reading.check,
                    x_pct_of_full_scale=100 * reading.x,
                    deviation_pct=reading.deviation_pct,
                    distance=reading.distance,
                    weight=reading.weight,
                )
                for reading in drift.outlying
            ),
            segments=tuple(SegmentAnswer.model_validate(segment) for segment in drift.segments),
            jumps=tuple(
                JumpAnswer(
                    after=instant_of_day(jump.between_days[0]),
                    before=instant_of_day(jump.between_days[1]),
                    check=jump.check,
                    evidence=jump.evidence,
                    gain_pct=jump.gain_pct,
                    offset_pct_of_full_scale=jump.offset_pct_of_full_scale,
                )
                for jump in drift.jumps
            ),
            lack_of_fit=LackOfFitAnswer.model_validate(drift.lack_of_fit),
            diagnostics=(
                TooThin.model_validate(drift.diagnostics)
                if isinstance(drift.diagnostics, NotEnoughEvidence)
                else DiagnosticsAnswer.model_validate(drift.diagnostics)
            ),
            own_history=(
                OwnHistoryAnswer.model_validate(drift.own_history)
                if isinstance(drift.own_history, OwnHistory)
                else TooThin.model_validate(drift.own_history)
            ),
            points=tuple(
                PlotPointAnswer(
                    at=instant_of_day(point.day),
                    x_pct_of_full_scale=100 * point.x,
                    deviation_pct=point.deviation_pct,
                    readings=point.readings,
                    check=point.check,
                )
                for point in drift.points
            ),
            lines=tuple(
                PlotLineAnswer(
                    x_pct_of_full_scale=100 * line.x,
                    at=tuple(instant_of_day(day) for day in line.day),
                    deviation_pct=line.deviation_pct,
                    lower_pct=line.lower_pct,
                    upper_pct=line.upper_pct,
                    reading_lower_pct=line.reading_lower_pct,
                    reading_upper_pct=line.reading_upper_pct,
                )
                for line in drift.lines
            ),
        )


class DriftAnswer(AnalysisAnswer):
    """How far and how fast a wrench drifts, in each direction."""

    directions: tuple[
        Annotated[DriftAnswered | NotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
