"""What is worked out once and kept while there is room."""

from threading import Barrier, Thread

import pytest

from service.kept import Kept, KeptAsItWas


def test_an_answer_is_made_once_and_the_oldest_goes_first() -> None:
    made: list[str] = []
    kept = Kept(2)

    def get(key: str) -> str:
        return kept.get(key, lambda: made.append(key) or key.upper())

    assert [get("a"), get("b"), get("a"), get("c"), get("a"), get("b")] == list("ABACAB")
    assert made == ["a", "b", "c", "b"]
    assert kept.has("a")
    assert not kept.has("c")


def test_two_who_ask_at_once_wait_for_one_making() -> None:
    kept, both, made = Kept(4), Barrier(2), []

    def ask() -> None:
        both.wait(5)
        kept.get("a", lambda: made.append(1))

    threads = [Thread(target=ask) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(5)
    assert made == [1]


def test_what_fails_is_tried_again() -> None:
    kept = Kept(1)
    with pytest.raises(ZeroDivisionError):
        kept.get("a", lambda: 1 / 0)
    assert kept.get("a", lambda: 2) == 2


def test_an_answer_holds_while_its_own_state_is_as_it_was() -> None:
    kept = KeptAsItWas(2)
    kept.put("one", ("state", 1), "answer")
    kept.put("unknown", None, "answer")
    assert kept.get("one", lambda: ("state", 1)) == "answer"
    assert kept.get("one", lambda: ("state", 2)) is None
    assert kept.get("one", lambda: None) is None
    assert kept.get("unknown", lambda: None) is None
    kept.put("two", 1, "other")
    kept.put("three", 1, "third")  # there is room for two: those of before are made again
    assert [kept.get(name, lambda: 1) for name in ("two", "three")] == [None, "third"]
