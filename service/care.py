"""How to treat a wrench so that its next check finds it where its last one left it.

Common practice, no source: the maker's manual comes first wherever it says something else.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.vocabulary import Mechanism
from service.records import Indication, Wrench

SOURCE: Final = "common practice, no source; the maker's manual comes first"


@dataclass(frozen=True, slots=True)
class CarePrompt:
    """When to do something, and what."""

    when: str
    do: str


_EVERY_WRENCH: Final = (
    CarePrompt(
        "after a drop, a pull past full scale, or a result that looks odd",
        "check it on the tester before the next use",
    ),
    CarePrompt("when a nut will not turn loose", "take another tool: this one is for tightening"),
    CarePrompt("between uses", "keep it clean and dry, in its case, away from heat"),
)

_OF_MECHANISM: Final[Mapping[Mechanism, tuple[CarePrompt, ...]]] = {
    Mechanism.SPRING: (
        CarePrompt(
            "after use",
            "wind it down to its lowest mark and not below: a spring left loaded relaxes",
        ),
        CarePrompt(
            "after weeks in store",
            "let it trip a few times near full scale before the first tightening, so that its "
            "grease spreads",
        ),
        CarePrompt("at the click", "stop: what is pulled after it goes into the fastener"),
    ),
    Mechanism.ELECTRONIC: (
        CarePrompt("before storage", "take the cells out: one that leaks ends the electronics"),
        CarePrompt("before each use", "let it find its zero with no load on it"),
        CarePrompt("out of a cold van", "let it come to the temperature of the place first"),
    ),
    Mechanism.BEAM: (
        CarePrompt("before each use", "see that the pointer rests on zero"),
        CarePrompt("at each reading", "look straight down on the scale, and pull at the handle"),
    ),
    Mechanism.DIAL: (
        CarePrompt("before each use", "set pointer and follower to zero with no load on it"),
        CarePrompt("at each reading", "look straight at the dial"),
        CarePrompt("on the bench", "never lay it on its dial"),
    ),
}

_NOT_GRADUATED: Final = CarePrompt(
    "whenever its setting was changed", "set it on the tester again: it has no scale to go by"
)


def prompts_for(wrench: Wrench) -> tuple[CarePrompt, ...]:
    """What to do for a wrench of this kind, that of its mechanism first."""
    own = _OF_MECHANISM[wrench.mechanism]
    if wrench.indication is Indication.SETTING_NOT_GRADUATED:
        # It is set for one joint and stays so: there is no mark to wind it down to.
        own = (_NOT_GRADUATED, *(prompt for prompt in own if prompt.when != "after use"))
    return (*own, *_EVERY_WRENCH)
