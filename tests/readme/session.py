"""The console session of README.md: read, run against the demo shop, and compared.

A block fenced as ```console holds commands after "$ " and what they print. A line of three dots
stands for any lines. Numbers may differ by a tenth and dates by ten days: forecasts are numerical,
and another processor rounds otherwise. Every word must be the same.

To write what the commands print now into README.md, whole and to be cut by hand:

    python tests/readme/session.py
"""

import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final
from urllib.error import URLError
from urllib.request import urlopen

README: Final = Path(__file__).parents[2] / "README.md"
ADDRESS: Final = "127.0.0.1:8620"
_BLOCK: Final = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_NUMBER: Final = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d")
_ANY: Final = "..."


@dataclass(frozen=True)
class Command:
    """A command of the README and what it says that the command prints."""

    line: str
    expected: str


@dataclass(frozen=True)
class Demo:
    """A running demo shop: where it listens, and the header that opens it."""

    address: str
    auth: str


def commands() -> list[Command]:
    """Every command of the README's console blocks, in order."""
    found = []
    for block in _BLOCK.findall(README.read_text("utf-8")):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            lines = part.splitlines(keepends=True)
            length = next(n for n in range(1, len(lines) + 1) if _complete("".join(lines[:n])))
            line = "".join(lines[:length]).rstrip("\n")
            found.append(Command(line, "".join(lines[length:])))
    return found


def _complete(lines: str) -> bool:
    """Whether a command ends here: no quotation is open and no backslash asks for more."""
    return lines.count("'") % 2 == 0 and not lines.endswith("\\\n")


@contextmanager
def demo_shop() -> Iterator[Demo]:
    """A running demo shop with the story's own dates, from a store of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    program = Path(sys.executable).parent / "wrench-drift"
    with (
        tempfile.TemporaryDirectory() as directory,
        Path(directory, "demo.log").open("wb") as log,
        subprocess.Popen(
            [program, "demo", "--no-shift", "--port", str(port)],
            cwd=directory,
            stdout=log,
            stderr=subprocess.STDOUT,
        ) as server,
    ):
        try:
            _await(f"http://127.0.0.1:{port}/health/live", server)
            yield Demo(f"127.0.0.1:{port}", _printed_auth(Path(directory, "demo.log")))
        finally:
            server.terminate()


def _await(address: str, server: "subprocess.Popen[bytes]") -> None:
    for _ in range(600):
        if server.poll() is not None:
            raise RuntimeError(f"the demo ended with {server.returncode}")
        try:
            with urlopen(address, timeout=5) as answer:
                if answer.status == 200:
                    return
        except (URLError, ConnectionError, TimeoutError):
            pass
        time.sleep(0.2)
    raise RuntimeError("the demo did not become ready in two minutes")


def _printed_auth(log: Path) -> str:
    """The header in the line that a reader pastes into the second terminal."""
    for _ in range(100):
        if found := re.search(r"^ *AUTH='(.+)'$", log.read_text("utf-8"), re.MULTILINE):
            return found[1]
        time.sleep(0.1)
    raise RuntimeError("the demo printed no token")


def run(command: Command, demo: Demo) -> str:
    """What the command prints with this demo shop."""
    done = subprocess.run(
        ["bash", "-c", command.line.replace(ADDRESS, demo.address)],
        capture_output=True,
        text=True,
        timeout=240,
        env={
            **os.environ,
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            "AUTH": demo.auth,
        },
        check=False,
    )
    return (done.stdout + done.stderr).replace(demo.address, ADDRESS)


def agrees(expected: str, printed: str) -> bool:
    """Whether the output is what the README says, but for small differences of numbers."""
    pattern, lines = expected.rstrip().splitlines(), printed.rstrip().splitlines()
    return _agree(pattern, lines)


def _agree(pattern: list[str], lines: list[str]) -> bool:
    if not pattern:
        return not lines
    if pattern[0].strip() == _ANY:
        return any(_agree(pattern[1:], lines[skip:]) for skip in range(len(lines) + 1))
    return bool(lines) and _same_line(pattern[0], lines[0]) and _agree(pattern[1:], lines[1:])


def _same_line(expected: str, printed: str) -> bool:
    if _words(expected) != _words(printed):
        return False
    dates = zip(_DATE.findall(expected), _DATE.findall(printed), strict=True)
    if any(abs(date.fromisoformat(a) - date.fromisoformat(b)).days > 10 for a, b in dates):
        return False
    numbers = zip(_numbers(expected), _numbers(printed), strict=True)
    return all(abs(a - b) <= max(0.1 * abs(a), 0.02) for a, b in numbers)


def _words(line: str) -> str:
    return _NUMBER.sub("#", _DATE.sub("@", line)).strip()


def _numbers(line: str) -> list[float]:
    return [float(number) for number in _NUMBER.findall(_DATE.sub("", line))]


def main() -> None:
    text = README.read_text("utf-8")
    with demo_shop() as demo:
        for command in commands():
            printed = run(command, demo)
            old = f"$ {command.line}\n{command.expected}"
            text = text.replace(old, f"$ {command.line}\n{printed.rstrip()}\n")
    README.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
