"""The bench's words: kinds of check, the verdict as a headline, and what to do next."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from analysis.conformity import Decision
from analysis.vocabulary import CheckKind, Direction
from service.records import Wrench
from service.schemas.verdicts import JudgedCheckAnswer, VerdictAnswer
from service.verdict import Judgement
from service.wording import direction_in_words

KINDS: Final[Mapping[CheckKind, tuple[str, str]]] = {
    CheckKind.AS_FOUND: ("As found", "as it came from the shop floor, before any adjustment"),
    CheckKind.AS_LEFT: ("As left", "after an adjustment or a repair"),
    CheckKind.VERIFICATION: ("Verification", "in between, nothing was adjusted"),
}


@dataclass(frozen=True, slots=True)
class Headline:
    """A verdict at a glance; `mark` names the shape beside the word."""

    mark: str
    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Step:
    """What to do next, and where; `path` empty: nothing to open for it."""

    words: str
    link: str = ""
    path: str = ""


def headline(verdict: VerdictAnswer | Judgement | None) -> Headline:
    if verdict is None:
        return Headline(
            "doubt", "Not judged", "the wrench no longer states a tolerance in this direction."
        )
    within = [reading.within for point in verdict.points for reading in point.readings]
    outside = within.count(False)
    if verdict.decision is Decision.ACCEPT:
        return Headline("inside", "Passed", f"all {len(within)} readings are inside the limit.")
    if verdict.decision is Decision.REJECT and outside:
        return Headline(
            "outside", "Failed", f"{outside} of {len(within)} readings are outside the limit."
        )
    if verdict.decision is Decision.REJECT:
        return Headline(
            "outside", "Failed", "a reading is nearer to its limit than the shop's rule allows."
        )
    return Headline(
        "doubt",
        "In doubt",
        "a reading is so near its limit that the tester cannot tell on which side it is.",
    )


def next_steps(wrench: Wrench, check: JudgedCheckAnswer) -> tuple[Step, ...]:
    """The most urgent first."""
    return tuple(_next_steps(wrench, check))


def _next_steps(wrench: Wrench, check: JudgedCheckAnswer) -> Iterator[Step]:
    verdict = check.verdict
    if verdict is not None and verdict.remeasure.advised:
        yield Step(
            "Measure again before you act on this: something about these readings is odd.",
            "Measure again",
            bench_path(wrench.serial, check.direction, check.kind),
        )
    if verdict is not None and not verdict.passed:
        yield Step("Put the wrench aside, marked, so that nobody takes it.")
        yield Step(
            "When it has been adjusted, check it as left.",
            "Check as left",
            bench_path(wrench.serial, check.direction, CheckKind.AS_LEFT),
        )
    for way in Direction:
        if way is not check.direction and wrench.mpd(way) is not None:
            words = direction_in_words(way)
            yield Step(
                f"It has a tolerance {words} as well.",
                f"Check {words}",
                bench_path(wrench.serial, way, check.kind),
            )


def bench_path(serial: str, direction: Direction, kind: CheckKind) -> str:
    """The sheet of a wrench on the bench."""
    query = {"wrench": serial, "direction": direction.value, "kind": kind.value}
    return f"/bench?{urlencode(query)}"
