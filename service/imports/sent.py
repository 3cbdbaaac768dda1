"""One check as it stands in a file."""

from dataclasses import dataclass

from service.imports.bodies import Locate
from service.intake import CheckDraft


@dataclass(frozen=True, slots=True)
class SentCheck:
    """A draft that could be read, and where in the file its parts stand."""

    wrench: str
    draft: CheckDraft
    locate: Locate
