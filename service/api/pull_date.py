"""The date of a pull that is asked about: today, or up to ten years on."""

from datetime import date, timedelta
from typing import Final

from service.api.body import InvalidRequest
from service.findings import Finding

_FARTHEST_DAYS: Final = 3660  # ten years on, no wrench's state is known


def pulled_on(day: date | None, today: date, field: str) -> date:
    """The day, today when it is left out; raises InvalidRequest for one that is not foreseen.

    field   where the day was sent
    """
    if day is None:
        return today
    if not today <= day <= today + timedelta(days=_FARTHEST_DAYS):
        raise InvalidRequest(
            Finding(
                field=field,
                detail=f"{day} is not between {today} and ten years on",
                remedy="send the date of the pull; for an earlier one, send as_of as well",
            )
        )
    return day
