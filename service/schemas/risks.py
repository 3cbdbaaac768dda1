"""The shop's wrenches, the riskiest first."""

from datetime import date
from typing import Self

from pydantic import Field

from analysis.due import Due
from analysis.fitness import Fitness
from analysis.risk import Driver
from analysis.vocabulary import Direction
from service.frames import date_of_day
from service.pull import JudgedPull
from service.schemas.analyses import MethodAnswer
from service.schemas.base import Answer, UtcInstant
from service.schemas.torque import TorqueAnswer
from service.torque import Torque
from service.wording import risk_in_words


class RiskRowAnswer(Answer):
    """One wrench in one direction, at the target of the shop's plan where a pull is riskiest."""

    wrench: str
    direction: Direction
    in_words: str
    fitness: Fitness
    reasons: tuple[str, ...] = Field(description="In words, the gravest first.")
    score: float = Field(description="0 to 100; 50 is what the shop tolerates.")
    pull_risk: float = Field(description="Chance that the next pull is outside the limit.")
    pass_probability: float = Field(description="Of a whole check on that day.")
    torque: TorqueAnswer
    deviation_pct: float = Field(description="Expected deviation of the pull, % of reading.")
    mpd_pct: float
    strongest_driver: Driver
    due_on: date

    @classmethod
    def of(
        cls, judged: JudgedPull, direction: Direction, torque: Torque, due: Due, time_zone: str
    ) -> Self:
        risk = judged.risk
        return cls(
            wrench=judged.wrench,
            direction=direction,
            in_words=risk_in_words(judged, direction, torque, None),
            fitness=judged.fitness,
            reasons=tuple(reason.words for reason in judged.reasons),
            score=risk.score,
            pull_risk=risk.pull_risk,
            pass_probability=risk.pass_probability,
            torque=TorqueAnswer.of(torque),
            deviation_pct=risk.deviation_pct,
            mpd_pct=risk.mpd_pct,
            strongest_driver=risk.drivers[0].driver,
            due_on=date_of_day(due.due_day, time_zone),
        )


class NotJudgedAnswer(Answer):
    """A wrench in service that no reading speaks for in one direction: not fit until checked."""

    wrench: str
    direction: Direction
    because: str
    needed: str


class RisksAnswer(Answer):
    """The riskiest of the wrenches in service, each direction with a stated tolerance counted."""

    as_of: UtcInstant | None
    day: date = Field(description="The shop's date that the pulls are judged for.")
    method: MethodAnswer
    policy_version: int
    judged: int = Field(description="How many were judged; `risks` holds the first of them.")
    risks: tuple[RiskRowAnswer, ...] = Field(description="The highest score first.")
    not_judged: tuple[NotJudgedAnswer, ...]
    cautions: tuple[str, ...]
