"""What is worked out once and kept while there is room."""

from threading import Barrier, Thread

import pytest

from service.kept import Kept


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
