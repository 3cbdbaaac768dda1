"""In which folders the tests of a marker are: a run of these alone reads no others.

To read every test takes each process of a run some twenty seconds. A test that carries a marker
elsewhere ends every run that reads it, so none can be left out unseen.
"""

from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).parent
# Markers that `-m` names by themselves, and folders beneath this one.
FOLDERS: Final[dict[str, tuple[str, ...]]] = {
    "browser": ("browser",),
    "faults": ("faults", "races", "service"),
    "simulation": ("analysis", "service/fleet", "simulation"),
}


def needs_reading(path: Path, expression: str) -> bool:
    """Whether a test that `-m expression` asks for may stand at a path or beneath it."""
    if expression not in FOLDERS or not path.is_relative_to(TESTS):
        return True
    folders = [TESTS / folder for folder in FOLDERS[expression]]
    return any(path.is_relative_to(each) or each.is_relative_to(path) for each in folders)


def misplaced(path: Path, markers: set[str]) -> list[str]:
    """Those of the markers that are not at home at the path of a test."""
    return [each for each in sorted(markers & set(FOLDERS)) if not needs_reading(path, each)]
