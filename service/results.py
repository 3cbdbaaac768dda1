"""What is known of every wrench of a shop, as one frame: a row for a wrench in one direction."""

from typing import TYPE_CHECKING

from service.frames import date_of_day
from service.records import Policy
from service.shop_evidence import ShopEvidence

if TYPE_CHECKING:
    import polars as pl


def result_frame(evidence: ShopEvidence, policy: Policy, day: float) -> "pl.DataFrame":
    """The columns `analysis.fleet_forecast.FORECASTS`, and the due day as the shop's date.

    In order of serial and direction; only wrenches with a stated tolerance and a reading that way.
    """
    import polars as pl

    frame = evidence.forecasts(policy, day)
    dates = [date_of_day(due, policy.time_zone) for due in frame["due_day"]]
    due_on = pl.Series("due_on", dates, dtype=pl.Date)
    return frame.with_columns(due_on).select(_ordered(frame.columns))


def _ordered(columns: list[str]) -> list[str]:
    place = columns.index("due_day")
    return [*columns[:place], "due_on", *columns[place:]]
