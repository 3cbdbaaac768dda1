"""Those used last are held, as many as fit; what is let go goes whole."""

import random
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import pytest

from service.held import HeldBySize


@dataclass(eq=False)
class Thing:
    key: str
    size: int = 1
    busy: bool = False
    gone: bool = False

    def is_busy(self) -> bool:
        return self.busy

    def let_go(self) -> None:
        assert not self.gone
        self.gone = True


class Told:
    """What is held, as it was reported last."""

    def __init__(self) -> None:
        self.held = self.size = self.let_go = 0

    def __call__(self, held: int, size: int, let_go: int) -> None:
        self.held, self.size = held, size
        self.let_go += let_go


def test_those_used_last_are_held() -> None:
    told = Told()
    held = HeldBySize(3, Thing, told)
    first = {key: held.get(key) for key in "abc"}
    assert held.get("a") is first["a"]
    held.get("d")  # puts out b, which was used longest ago
    assert [key for key in "abc" if first[key].gone] == ["b"]
    assert held.get("b") is not first["b"]
    assert (told.held, told.size, told.let_go) == (3, 3, 2)


def test_what_grows_puts_out_others_but_never_itself() -> None:
    told = Told()
    held = HeldBySize(4, Thing, told)
    small, large = held.get("small"), held.get("large")
    large.size = 3
    held.grown("large")
    assert not small.gone
    large.size = 9
    held.grown("large")
    assert small.gone
    assert held.get("large") is large
    assert (told.held, told.size) == (1, 9)
    held.grown("small")  # was let go meanwhile
    held.get("next")
    assert large.gone
    assert (told.held, told.size) == (1, 1)


def test_what_is_busy_stays_until_it_is_not() -> None:
    held = HeldBySize(1, Thing)
    busy = held.get("busy")
    busy.busy = True
    other = held.get("other")
    last = held.get("last")
    assert (busy.gone, other.gone) == (False, True)
    busy.busy = False
    assert held.get("last") is last
    assert busy.gone


@pytest.mark.parametrize("seed", range(3))
def test_the_size_is_that_of_what_is_held_whoever_asks_at_once(seed: int) -> None:
    made: list[Thing] = []
    lock = threading.Lock()

    def begin(key: str) -> Thing:
        thing = Thing(key)
        with lock:
            made.append(thing)
        return thing

    told = Told()
    held = HeldBySize(12, begin, told)

    def ask(number: int) -> None:
        own = random.Random(100 * seed + number)  # noqa: S311 - no secret
        for _ in range(300):
            key = str(own.randrange(20))
            thing = held.get(key)
            assert thing.key == key
            thing.size = own.randrange(1, 6)
            held.grown(key)
            assert told.size <= 12

    with ThreadPoolExecutor(4) as callers:
        list(callers.map(ask, range(4)))
    for key in {each.key for each in made}:
        held.grown(key)  # one may have been given another size after it was weighed
    left = [each for each in made if not each.gone]
    assert len({each.key for each in left}) == len(left) == told.held
    assert sum(each.size for each in left) == told.size <= 12
    assert told.let_go == len(made) - len(left)
