"""The risk of a pull, and whether the wrench may be used for it."""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field

from analysis.fitness import Fitness, Ground
from analysis.risk import Driver
from analysis.vocabulary import Direction
from service.pull import JudgedPull
from service.schemas.analyses import AnalysisAnswer, FromAnalysis, NoPerformanceAnswer, by_status
from service.schemas.base import Answer
from service.schemas.torque import TorqueAnswer
from service.torque import Torque
from service.wording import risk_in_words


class GroundAnswer(FromAnalysis):
    """One ground in a sentence that a technician can act on."""

    ground: Ground
    words: str


class DriverAnswer(FromAnalysis):
    """How much lower the pull risk would be with one of its causes taken away."""

    driver: Driver
    without: float = Field(description="The pull risk then.")


class BetterWrenchAnswer(Answer):
    """The best choice among the other wrenches in service: fit before caution, then lower risk.

    Risks below 0.1 % are alike; then the pull expected nearer its torque comes first.
    """

    wrench: str
    fitness: Fitness
    pull_risk: float
    score: float

    @classmethod
    def of(cls, better: JudgedPull) -> Self:
        return cls(
            wrench=better.wrench,
            fitness=better.fitness,
            pull_risk=better.risk.pull_risk,
            score=better.risk.score,
        )


class RiskAnswered(Answer):
    """The risk in one direction."""

    status: Literal["answered"] = "answered"
    direction: Direction
    in_words: str
    fitness: Fitness
    reasons: tuple[GroundAnswer, ...] = Field(description="The gravest first.")
    score: float = Field(
        description="0 to 100; 50 is what the shop tolerates. r = max of odds(pull risk) /"
        " odds(tolerated) and odds(1 - pass probability) / odds(1 - reliability target);"
        " score = 100 r / (1 + r)."
    )
    torque: TorqueAnswer
    x_pct_of_full_scale: float
    pull_risk: float = Field(description="Chance that the next pull is outside the limit.")
    low_risk: float = Field(description="Its part on the side that delivers too little.")
    high_risk: float = Field(description="Its part on the side that delivers too much.")
    pass_probability: float = Field(description="Of a whole check on that day.")
    deviation_pct: float = Field(description="Expected deviation of the pull, % of reading.")
    deviation_sd_pct: float
    mpd_pct: float
    drivers: tuple[DriverAnswer, ...] = Field(description="The strongest first.")
    next_better: BetterWrenchAnswer | None

    @classmethod
    def of(
        cls,
        judged: JudgedPull,
        direction: Direction,
        torque: Torque,
        better: JudgedPull | None,
        later_on: date | None,
    ) -> Self:
        """The answer; `later_on`: the day of the pull, None when it is that of the answer."""
        risk = judged.risk
        return cls(
            direction=direction,
            in_words=risk_in_words(judged, direction, torque, later_on),
            fitness=judged.fitness,
            reasons=tuple(GroundAnswer.model_validate(reason) for reason in judged.reasons),
            score=risk.score,
            torque=TorqueAnswer.of(torque),
            x_pct_of_full_scale=100 * risk.x,
            pull_risk=risk.pull_risk,
            low_risk=risk.low_risk,
            high_risk=risk.high_risk,
            pass_probability=risk.pass_probability,
            deviation_pct=risk.deviation_pct,
            deviation_sd_pct=risk.deviation_sd_pct,
            mpd_pct=risk.mpd_pct,
            drivers=tuple(DriverAnswer.model_validate(share) for share in risk.drivers),
            next_better=BetterWrenchAnswer.of(better) if better else None,
        )


class RiskNotEnoughAnswer(Answer):
    """No reading speaks for the wrench in this direction, so it is not fit."""

    status: Literal["not_enough_evidence"] = "not_enough_evidence"
    direction: Direction
    fitness: Fitness = Fitness.NOT_FIT
    because: str
    needed: str
    next_better: BetterWrenchAnswer | None = Field(description="null when no torque was sent.")


class RiskAnswer(AnalysisAnswer):
    """The risk of one pull: at a torque asked about, or where the wrench is riskiest."""

    on: date
    directions: tuple[
        Annotated[RiskAnswered | RiskNotEnoughAnswer | NoPerformanceAnswer, by_status()], ...
    ]
