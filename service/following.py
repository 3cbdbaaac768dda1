"""What follows the records of a shop: read whole once, then moved on by what has changed."""

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from threading import Lock
from typing import Final, Generic, Protocol, TypeVar

from service.store.changes import Place

Held = TypeVar("Held")
MOST_HELD: Final = 4  # readers of some snapshots back are still under way when the next one comes


class Records(Protocol):
    """One snapshot of a shop's records."""

    def place(self) -> Place: ...
    def changed_since(self, place: Place) -> frozenset[str] | None: ...


@dataclass(frozen=True, slots=True)
class _Step(Generic[Held]):
    version: Hashable
    place: Place
    held: Held


class Following(Generic[Held]):
    """The versions held last, each made from one before it."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._steps: list[_Step[Held]] = []

    def get(
        self,
        version: Hashable,
        records: Records,
        whole: Callable[[], Held],
        moved_on: Callable[[Held, frozenset[str]], Held],
    ) -> Held:
        """What is held of a version; two who ask for one at once wait for one making.

        records   a snapshot of that version
        whole     makes it from all records
        moved_on  makes it from what was held, and the serials that may have changed since
        """
        with self._lock:
            for step in self._steps:
                if step.version == version:
                    return step.held
            made = self._made(records, whole, moved_on)
            self._steps = [*self._steps, _Step(version, records.place(), made)][-MOST_HELD:]
            return made

    def _made(
        self,
        records: Records,
        whole: Callable[[], Held],
        moved_on: Callable[[Held, frozenset[str]], Held],
    ) -> Held:
        for step in reversed(self._steps):
            changed = records.changed_since(step.place)
            if changed is not None:
                return moved_on(step.held, changed)
        return whole()
