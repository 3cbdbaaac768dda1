"""What is worked out once and kept while there is room: the answers used last, each made once."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, TypeVar

Made = TypeVar("Made")


class _Place:
    """One answer, made or still to be made."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.made: tuple[Any] | None = None


class KeptWhile:
    """At most so many answers that hold while a stamp stands; another stamp forgets them all."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: tuple[object, dict[Hashable, Any]] = None, {}

    def get(self, stamp: object, key: Hashable) -> Any:
        """What was put under this very stamp; None: nothing."""
        kept_under, answers = self._kept
        return answers.get(key) if stamp is not None and stamp == kept_under else None

    def put(self, stamp: object, key: Hashable, answer: object) -> None:
        """Keep an answer found after this stamp was taken; None keeps nothing.

        Of two threads with two stamps the last one wins: the other's answers are made again.
        """
        if stamp is None:
            return
        kept_under, answers = self._kept
        if stamp != kept_under or len(answers) >= self._most:
            self._kept = stamp, {key: answer}
        else:
            answers[key] = answer


class KeptAsItWas:
    """At most so many answers, each of which holds while its own state is as it was."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[Hashable, tuple[object, Any]] = {}

    def get(self, key: Hashable, state: Callable[[], object]) -> Any:
        """What was put for this key, if its state is still the same; None: nothing, or another."""
        kept = self._kept.get(key)
        return kept[1] if kept is not None and kept[0] == state() else None

    def put(self, key: Hashable, state: object, answer: object) -> None:
        """Keep an answer found after its state was asked for; of no known state nothing is kept."""
        if state is None:
            return
        if len(self._kept) >= self._most:
            self._kept = {}
        self._kept[key] = state, answer


class Kept:
    """At most so many answers by their keys; two who ask for one at once wait for one making."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._places: OrderedDict[Hashable, _Place] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What `make` gives for this key; what it raises is not kept."""
        with self._lock:
            place = self._places.setdefault(key, _Place())
            self._places.move_to_end(key)
            while len(self._places) > self._most:
                self._places.popitem(last=False)
        with place.lock:
            if place.made is None:
                place.made = (make(),)
            found: Made = place.made[0]
            return found

    def has(self, key: Hashable) -> bool:
        """Whether it would be given without being made."""
        with self._lock:
            place = self._places.get(key)
        return place is not None and place.made is not None
