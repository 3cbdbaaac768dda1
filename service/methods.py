"""The methods behind the answers; a change of numbers for the same input is a new version."""

from dataclasses import dataclass
from typing import Final

from analysis import range_study
from analysis.fleet import METHOD, METHOD_VERSION


@dataclass(frozen=True, slots=True)
class Method:
    name: str
    version: str


FORECAST: Final = Method(METHOD, METHOD_VERSION)
SCATTER: Final = Method("nested-variance-levels", "1")
CAPABILITY: Final = Method("normal-capability-by-band", "1")
CONFORMITY: Final = Method("jcgm-106-decisions", "1")

TRACE: Final = Method("level-paths", "1")
UNCERTAINTY: Final = Method("iso-6789-2-budget", "1")
ACCEPTANCE: Final = Method("acceptance-by-evidence", "1")
ANGLE: Final = Method("angle-error-law", "1")
RANGE_STUDY: Final = Method(range_study.METHOD, range_study.METHOD_VERSION)

_ALL: Final = (
    FORECAST, TRACE, SCATTER, CAPABILITY, CONFORMITY, UNCERTAINTY, ACCEPTANCE, ANGLE, RANGE_STUDY,
)  # fmt: skip
# Answers of these methods rest on laws learnt from the whole shop.
RESTING_ON_LAWS: Final = frozenset({FORECAST.name, TRACE.name})
# Part of the tag of every answer.
VERSIONS: Final = tuple(f"{each.name}/{each.version}" for each in _ALL)
