"""The time of day, the only place where the service asks for it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Whatever tells the present instant, always in UTC."""

    def now(self) -> datetime: ...


class SystemClock:
    """The clock of the machine."""

    def now(self) -> datetime:
        return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class PinnedClock:
    """A clock that stands still, for the demo's own dates and for tests."""

    at: datetime

    def __post_init__(self) -> None:
        if self.at.tzinfo is None:
            raise ValueError("a clock cannot be pinned to a time without a UTC offset")

    def now(self) -> datetime:
        return self.at.astimezone(UTC)
