"""What README.md shows is what a new user sees."""

import shutil
from collections.abc import Iterator

import pytest
from session import Command, Demo, agrees, commands, demo_shop, run

COMMANDS = commands()


@pytest.fixture(scope="module")
def shop() -> Iterator[Demo]:
    with demo_shop() as demo:
        yield demo


def test_the_readme_has_a_session() -> None:
    """A session that was lost in an edit would otherwise pass unseen."""
    assert len(COMMANDS) >= 6


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.line[:60])
def test_a_command_prints_what_the_readme_says(command: Command, shop: Demo) -> None:
    assert shutil.which("curl"), "the README's session needs curl"
    printed = run(command, shop)
    assert agrees(command.expected, printed), f"now it prints:\n{printed}"


def test_words_must_be_the_same_and_numbers_nearly() -> None:
    """The comparison can fail: on a word, on a number, on a date, on a line too many."""
    assert agrees("due 2026-11-20, 10 %\n", "due 2026-11-22, 10.4 %")
    assert agrees("a\n...\nc\n", "a\nb\nb\nc\n")
    assert not agrees("fit\n", "not fit\n")
    assert not agrees("10 %\n", "12 %\n")
    assert not agrees("due 2026-11-20\n", "due 2026-12-20\n")
    assert not agrees("a\n", "a\nb\n")
