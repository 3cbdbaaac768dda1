"""What is known of every wrench at once: one row for a wrench in one direction."""

from datetime import date
from typing import Any, Final, Self

from pydantic import Field

from analysis.due import Bound
from analysis.numerals import chance, number
from analysis.vocabulary import Direction
from service.schemas.analyses import MethodAnswer
from service.schemas.base import Answer, UtcInstant
from service.wording import direction_in_words

_BOUND_IN_WORDS: Final = {
    Bound.RELIABILITY: "by its pass probability",
    Bound.MONTHS: "by the cap in months",
    Bound.CYCLES: "by the cap in cycles",
    Bound.FLOOR: "no sooner by the floor in days",
}


class ResultAnswer(Answer):
    """One wrench in one direction; names carry the units, days are UTC days since 1970-01-01."""

    wrench: str
    direction: Direction
    in_words: str
    family: str
    source: str = Field(
        description="Whose readings taught the laws: family, mechanism, or defaults of the trade."
    )
    checks: int
    readings: int
    last_check_day: float
    due_on: date
    due_day: float
    bound_by: Bound
    reliability_day: float | None = Field(
        description="When the pass probability falls below the shop's target; null where that is"
        " not before the cap in months."
    )
    pass_probability: float = Field(description="Of a whole check on the day asked about.")
    plan_x: tuple[float, ...] = Field(description="The plan's targets as shares of full scale.")
    pull_risk: tuple[float, ...] = Field(
        description="Chance that the next pull at each of them is outside the limit."
    )
    deviation_pct: tuple[float, ...] = Field(description="Expected of a pull there, % of reading.")
    gain_rate: float = Field(description="% of reading a year, with its 95 % interval.")
    gain_rate_low: float
    gain_rate_high: float
    offset_rate: float = Field(description="% of full scale a year, with its 95 % interval.")
    offset_rate_low: float
    offset_rate_high: float
    jumps: int = Field(description="Found in its history.")
    rho_pct: float = Field(description="Proportional scatter of its family, % of reading.")
    alpha_pct: float = Field(description="Constant scatter of its family, % of full scale.")
    ppk_low: float | None = Field(
        description="Ppk by band since the last adjustment; null: too few data in the band."
    )
    ppk_mid: float | None
    ppk_upper: float | None

    @classmethod
    def of(cls, row: dict[str, Any]) -> Self:
        """From a row of `service.results.result_frame`."""
        return cls(**row, in_words=_in_words(row))


def _in_words(row: dict[str, Any]) -> str:
    gain, low, high = (number(row[f"gain_rate{end}"], 2) for end in ("", "_low", "_high"))
    return (
        f"{row['wrench']} {direction_in_words(Direction(row['direction']))}: due on"
        f" {row['due_on']}, {_BOUND_IN_WORDS[Bound(row['bound_by'])]}; a check on the day asked"
        f" about would pass with probability {chance(row['pass_probability'])}; its gain drifts by"
        f" {gain} % of reading a year (95 % interval {low} to {high})."
    )


class ResultsAnswer(Answer):
    """A page of results, by serial and direction."""

    as_of: UtcInstant | None
    day: date = Field(description="The shop's date that chances, risks and rates are told for.")
    method: MethodAnswer
    policy_version: int
    in_words: str
    results: tuple[ResultAnswer, ...]
    next_cursor: str | None = Field(description="Send it as `cursor` for the next page.")
    cautions: tuple[str, ...]
