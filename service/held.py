"""What a process holds by keys: those used last, as many as fit into a size of all together."""

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Generic, Protocol, TypeVar


class Holdable(Protocol):
    """`size` and `is_busy` are asked for under a lock and must not wait for another."""

    @property
    def size(self) -> int:
        """By estimate, in whatever unit all have in common."""
        ...

    def is_busy(self) -> bool:
        """Whether something is under way on it that would be begun anew."""
        ...

    def let_go(self) -> None:
        """Nobody will find it here any more; whoever still has it goes on with it."""
        ...


Held = TypeVar("Held", bound=Holdable)


@dataclass(slots=True)
class _Place(Generic[Held]):
    held: Held
    size: int


class HeldBySize(Generic[Held]):
    """Those used last. The one in use stays, whatever its size, and so do those that are busy.

    most    of the sizes together
    begin   makes what is held of a key
    report  told how many are held and their size, and how many were let go, after each change;
            under a lock as well
    """

    def __init__(
        self,
        most: int,
        begin: Callable[[str], Held],
        report: Callable[[int, int, int], None] = lambda *_: None,
    ) -> None:
        self._most = most
        self._begin = begin
        self._report = report
        self._lock = Lock()
        self._size = 0
        # The one used last at the end.
        self._places: OrderedDict[str, _Place[Held]] = OrderedDict()

    def get(self, key: str) -> Held:
        """What is held of a key, which now is the one used last."""
        with self._lock:
            place = self._places.get(key)
            if place is not None:
                self._places.move_to_end(key)
                if self._size <= self._most:
                    return place.held
            else:
                place = self._places[key] = _Place(self._begin(key), 0)
                self._weigh(place)
            gone = self._make_room(key)
        for each in gone:
            each.let_go()
        return place.held

    def grown(self, key: str) -> None:
        """The size of this one is another now."""
        with self._lock:
            place = self._places.get(key)
            if place is None:
                return
            self._weigh(place)
            gone = self._make_room(key)
        for each in gone:
            each.let_go()

    def _weigh(self, place: _Place[Held]) -> None:
        size = place.held.size
        self._size += size - place.size
        place.size = size

    def _make_room(self, in_use: str) -> list[Held]:
        gone: list[Held] = []
        for key in list(self._places) if self._size > self._most else ():
            place = self._places[key]
            if key != in_use and not place.held.is_busy():
                del self._places[key]
                self._size -= place.size
                gone.append(place.held)
                if self._size <= self._most:
                    break
        self._report(len(self._places), self._size, len(gone))
        return gone
