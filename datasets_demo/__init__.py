"""An invented workshop: wrenches, testers, three years of checks, one of work; CSVs with a seed.

Nothing here was measured. README.md beside this file tells the mechanism and the story; it must
never stand as evidence about any real wrench. `python -m datasets_demo.generate` rewrites the CSVs.
"""

from datetime import date
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

SHOP: Final = "Workshop of the Eastmere municipal depot (invented)"
SEED: Final = 20261125
FIRST_DAY: Final = date(2023, 11, 20)  # of checks in the workshop; cards may be older
LAST_DAY: Final = date(2026, 11, 20)


def wrenches_csv() -> Traversable:
    """The file of wrenches, one row a wrench."""
    return files(__name__) / "wrenches.csv"


def testers_csv() -> Traversable:
    """The file of testers, one row a certificate."""
    return files(__name__) / "testers.csv"


def checks_csv() -> Traversable:
    """The file of checks, one row a reading."""
    return files(__name__) / "checks.csv"


def pulls_csv() -> Traversable:
    """The file of work done, one row a record of pulls alike."""
    return files(__name__) / "pulls.csv"


def angle_checks_csv() -> Traversable:
    """The file of angle checks, one row a reading."""
    return files(__name__) / "angle_checks.csv"
