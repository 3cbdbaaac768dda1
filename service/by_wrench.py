"""What follows from each wrench's own evidence: worked out of all once, then of what changed."""

from collections.abc import Callable, Hashable, Mapping, Set
from threading import Lock
from typing import Any, Final, Generic, TypeVar

from analysis.vocabulary import Direction, Member
from service.shop_frames import ShopFrames

Key = TypeVar("Key", bound=Hashable)  # a serial, or a serial and a direction
Found = TypeVar("Found")
Made = TypeVar("Made")

MOST_OF_A_MEMBER: Final = 64  # answers; so many hold the questions of a day


class ByWrench(Generic[Key, Found]):
    """By serial, or serial and direction, what a wrench's own rows say.

    work_out  of frames; of the whole it is that of its parts together
    made      what is known already; None: worked out when it is first asked for
    """

    def __init__(
        self,
        work_out: Callable[[ShopFrames], Mapping[Key, Found]],
        frames: ShopFrames,
        made: Mapping[Key, Found] | None = None,
    ) -> None:
        self._work_out: Final = work_out
        self._frames = frames
        self._lock = Lock()
        self._made = made

    def get(self) -> Mapping[Key, Found]:
        with self._lock:
            if self._made is None:
                self._made = self._work_out(self._frames)
            return self._made

    def moved_on(
        self, frames: ShopFrames, changed: Set[str], now: ShopFrames
    ) -> "ByWrench[Key, Found]":
        """Of the next frames; `changed` and `now` as in `ShopFrames.moved_on`."""
        with self._lock:
            made = self._made
        if made is not None:
            made = exchanged(made, changed, self._work_out(now))
        return ByWrench(self._work_out, frames, made)


def exchanged(
    made: Mapping[Key, Found], changed: Set[str], now: Mapping[Key, Found]
) -> dict[Key, Found]:
    """A mapping by wrench with some wrenches as they are by now."""
    left: dict[Any, Found] = dict(made)
    for serial in changed:
        for key in (serial, *((serial, direction) for direction in Direction)):
            left.pop(key, None)
    return {**left, **now}


class KeptByMember:
    """Answers about single wrenches in a direction, kept while its evidence stands.

    Two who ask for one at once may both work it out: they find the same.
    """

    def __init__(self) -> None:
        self._kept: dict[Member, dict[Hashable, tuple[Hashable, object]]] = {}

    def find(self, member: Member, question: Hashable, by: Hashable) -> object:
        """The answer that was put under the same `by`; None: there is none."""
        put_by, answer = self._kept.get(member, {}).get(question, (None, None))
        return answer if put_by == by else None

    def put(self, member: Member, question: Hashable, by: Hashable, answer: object) -> None:
        """Keep an answer in the place of the one to the same question under another `by`.

        by   what else it depends on, beside the evidence of the wrench in the direction
        """
        own = self._kept.setdefault(member, {})
        if question not in own and len(own) >= MOST_OF_A_MEMBER:
            own.clear()
        own[question] = by, answer

    def get(
        self, member: Member, question: Hashable, by: Hashable, make: Callable[[], Made]
    ) -> Made:
        found = self.find(member, question, by)
        if found is None:
            found = make()
            self.put(member, question, by, found)
        return found  # type: ignore[return-value]

    def without(self, changed: Set[Member]) -> "KeptByMember":
        """The answers about all others."""
        left = KeptByMember()
        left._kept = dict(self._kept)
        for member in changed:
            left._kept.pop(member, None)
        return left
